"""Readings that are packed while the work goes on change no figure: live, late, corrected and read as a whole history."""

import random
from pathlib import Path

import numpy as np
import pytest

from meterd.app.operations.packing import CLOSED_DAYS, pack_piece
from meterd.core.model.reading import IMPORT, Reading
from meterd.core.registers.corrections import Correction
from tests.adapters.store import figures
from tests.adapters.store.packing import EVER, blocks, digests, pack, rows
from tests.faults.mill import CHANNELS, DAY, MAY, QUARTER, StoreInFolder, as_readings, minutes, stored_figures
from tests.table_digests import table_digests

DAYS = 5


def lived(folder: Path, name: str, *, packing: int) -> StoreInFolder:
    """The same days tick by tick in the same order; before every so many ticks all that can be packed is packed."""
    generator = random.Random(17)
    readings = as_readings(minutes(DAYS * 1_440, step=20))
    late = [reading for reading in readings if generator.random() < 0.03]
    here, held = StoreInFolder(folder, name=name), [(r, r.at_ms + generator.randrange(3 * DAY)) for r in late]
    late_ones = set(late)
    for number, now in enumerate(range(MAY, MAY + (DAYS + 4) * DAY, 2 * 3_600_000)):
        fresh = [r for r in readings if now - 2 * 3_600_000 < r.at_ms <= now and r not in late_ones]
        fresh += [r for r, comes in held if now - 2 * 3_600_000 < comes <= now]
        fresh += generator.sample(readings, 3) if number > 60 else []  # repeats of any day, as from an old file
        generator.shuffle(fresh)
        if packing and number % packing == 0:
            pack(here.store, EVER)
        here.ledger.tick(fresh, now + 60_000)
        while here.ledger.late_step(now + 60_000, 0.0):
            if packing:
                pack(here.store, EVER, 100, 1)
        if number == 80:
            factor = Correction(0, "q02", IMPORT, MAY + DAY, MAY + 2 * DAY, "1.02", "ratio plate", "Ada", now)
            here.ledger.correct(
                ("q02", IMPORT), (MAY + DAY, MAY + 2 * DAY), now, lambda f=factor: here.store.corrections.add(f)
            )
        while here.ledger.recompute_piece(now + 60_000) is not None:
            if packing:
                pack(here.store, EVER, 100, 1)
    return here


@pytest.mark.parametrize("packing", [1, 7])
def test_a_daemon_that_packs_at_every_moment_gives_the_tables_of_one_that_packs_nothing(
    tmp_path: Path, packing: int
) -> None:
    """Every row of every table, with versions and reasons, and every reading under its number."""
    plain, packed = lived(tmp_path, "rows.sqlite", packing=0), lived(tmp_path, "blocks.sqlite", packing=packing)
    assert blocks(packed.store) >= DAYS * len(CHANNELS)
    assert figures.blocks(packed.store) == 2 * len(CHANNELS), "intervals and hours; the days are of one stretch"
    assert (blocks(plain.store), figures.blocks(plain.store)) == (0, 0)
    assert digests(packed.store) == digests(plain.store)
    assert digests(packed.store)[1] == []
    plain.close()
    packed.close()
    assert table_digests(packed.path) == table_digests(plain.path)


def test_a_history_that_is_read_as_a_whole_gives_the_same_figures(tmp_path: Path) -> None:
    """The readings of the daemon in a store without figures, packed before anything is made of them."""
    live = lived(tmp_path, "live.sqlite", packing=5)
    whole = StoreInFolder(tmp_path, name="whole.sqlite")
    for channel in live.store.channels():
        times, values = live.store.history(channel, 0)
        order = np.random.default_rng(3).permutation(len(times))
        whole.ledger.import_history(channel, times[order], values[order], MAY)
        pack(whole.store)
        whole.ledger.import_history(channel, times[order], values[order], MAY)  # again: nothing is new
    with whole.store.transaction():
        for correction in live.store.corrections.all():
            whole.store.corrections.add(correction)
    whole.close()
    whole = StoreInFolder(tmp_path, name="whole.sqlite")
    assert whole.store.reading_count() == live.store.reading_count()
    last = live.ledger.state.closed_to
    assert last is not None
    whole.ledger.recompute_all(last, MAY)
    whole.close()
    tables = table_digests(whole.path)
    whole = StoreInFolder(tmp_path, name="whole.sqlite")
    pack(whole.store)
    assert figures.blocks(whole.store) == 2 * len(CHANNELS)
    whole.ledger.recompute_all(last, MAY)  # again, over what is packed: nothing is another figure
    assert digests(whole.store)[1] == []
    live.close()
    whole.close()
    assert table_digests(whole.path) == tables
    assert stored_figures(whole.path, until_ms=MAY + 9 * DAY) == stored_figures(live.path, until_ms=MAY + 9 * DAY)


def test_days_wait_until_they_are_closed_and_nothing_is_to_be_made_of_them(tmp_path: Path) -> None:
    here = StoreInFolder(tmp_path)
    assert not pack_piece(here.store, here.ledger), "nothing is closed"
    here.feed(as_readings(minutes(4 * 1_440, step=15)))
    pack(here.store, 0)
    while pack_piece(here.store, here.ledger):
        pass
    closed = here.ledger.state.closed_to
    assert closed is not None
    assert MAY + (1 + CLOSED_DAYS) * DAY <= closed < MAY + (2 + CLOSED_DAYS) * DAY
    starts = here.store.connection.execute("SELECT DISTINCT start_ms FROM reading_block").fetchall()
    assert starts == [(MAY,)], "of the next day not all is closed for so long"
    ends = here.store.connection.execute(
        "SELECT DISTINCT last_ms FROM figure_block WHERE period = 'interval'"
    ).fetchall()
    assert ends == [(MAY + DAY - QUARTER,)]
    before = rows(here.store)
    here.feed(as_readings(minutes(2 * 1_440, start_ms=MAY + 4 * DAY, step=15)))
    here.ledger.tick([Reading("q01", IMPORT, MAY + 5 * 60_000 + 1, 10_700_000, MAY)], MAY + 6 * DAY)
    assert here.ledger.late
    pack(here.store, 0)
    assert not pack_piece(here.store, here.ledger), "figures of a late reading are still to be made"
    while here.ledger.late_step(MAY + 6 * DAY, 0.0):
        pass
    while pack_piece(here.store, here.ledger):
        pass
    assert blocks(here.store) >= 3 * len(CHANNELS)
    assert rows(here.store) == before + 1, "two days more, two packed, and the late one, which is the last"
    here.close()
