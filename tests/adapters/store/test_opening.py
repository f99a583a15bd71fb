"""A store opened to read and to write: what is left behind, who is refused, and that to read is not to write."""

import sqlite3
from collections.abc import Callable
from contextlib import suppress
from dataclasses import replace
from pathlib import Path

import pytest

from meterd.adapters.store.opening import open_to_read, open_to_write
from meterd.adapters.store.read_store import ReadStore
from meterd.adapters.store.write_store import WriteStore
from meterd.core.errors import StoreError, StoreInUse
from meterd.core.model.finding import Finding, FindingRow
from meterd.core.model.periods import Period
from meterd.core.model.reading import IMPORT, Reading
from meterd.core.model.results import FigureRow
from meterd.core.registers.corrections import Correction
from tests.adapters.store.entered import ISSUED, RECORD

Q01 = ("q01", IMPORT)


def figure(energy: int) -> list[FigureRow]:
    return [FigureRow(Q01, Period.INTERVAL, 0, energy, 0)]


def write(store: WriteStore, energy: int, now_ms: int) -> None:
    with store.transaction():
        store.add_readings([Reading("q01", IMPORT, now_ms, energy, now_ms)])
        store.write_figures(figure(energy), now_ms=now_ms, reason="test")


def energy_of(store: ReadStore) -> int | None:
    starts = store.history(Q01, 0)[0][:1] * 0
    columns = store.columns([Q01], Period.INTERVAL, starts)
    return int(columns.energy[0, 0]) if columns.present[0, 0] else None


def test_a_store_is_read_beside_its_writer_and_as_of_a_moment(tmp_path: Path) -> None:
    """A reader sees what is committed; with a moment, the version that stood then."""
    path = tmp_path / "s.sqlite"
    with open_to_write(path) as store:
        write(store, 5, 100)
        with open_to_read(path) as reader:
            assert energy_of(reader) == 5
            write(store, 7, 200)
            assert energy_of(reader) == 7
    with open_to_read(path, 150) as past, open_to_read(path, 50) as before:
        assert (energy_of(past), energy_of(before)) == (5, None)


def test_one_writes_and_leaves_the_store_to_the_next_also_when_it_fails(tmp_path: Path) -> None:
    """The second is refused while the first has it; after a failure inside, the next one has the store."""
    path = tmp_path / "s.sqlite"
    with suppress(ZeroDivisionError), open_to_write(path) as store:
        write(store, 5, 100)
        with pytest.raises(StoreInUse), open_to_write(path):
            pass
        raise ZeroDivisionError
    with open_to_write(path) as store:
        assert energy_of(store) == 5
    with pytest.raises(sqlite3.ProgrammingError):  # closed
        energy_of(store)
    with pytest.raises(StoreError, match="there is no store"), open_to_read(tmp_path / "none.sqlite"):
        pass


WRITES: dict[str, Callable[[WriteStore, int], object]] = {
    "readings": lambda store, n: store.add_readings([Reading("q01", IMPORT, n, n, n)]),
    "figures": lambda store, n: store.write_figures(figure(n), now_ms=n, reason="test"),
    "facts": lambda store, n: store.set_fact("name", f"text {n}"),
    "findings": lambda store, n: store.finding_tables.write(FindingRow(Finding("stale", "q01", n, "x"), n, n, "new")),
    "corrections": lambda store, n: store.corrections.add(
        Correction(n, "q01", IMPORT, from_ms=0, until_ms=None, factor="1.05", reason="CT", person="Ada", made_ms=n)
    ),
    "records": lambda store, n: store.records.add(RECORD),
    "documents": lambda store, n: store.issued.add(replace(ISSUED, sha256=f"{n:02d}" * 32)),
}


def test_a_store_to_read_cannot_be_written_by_any_of_its_tables(tmp_path: Path) -> None:
    """What a writer does is refused by the file itself, and nothing of it is there."""
    path = tmp_path / "s.sqlite"
    with open_to_write(path) as store:
        write(store, 5, 100)
        for what, act in WRITES.items():
            was = list(store.connection.iterdump())
            with store.transaction():
                act(store, 1)
            before = list(store.connection.iterdump())
            assert before != was, f"{what}: or the rest of this test would show nothing"
            with open_to_read(path) as reader, pytest.raises(sqlite3.OperationalError, match="readonly"):
                act(reader, 2)  # type: ignore[arg-type]
            assert list(store.connection.iterdump()) == before, what
