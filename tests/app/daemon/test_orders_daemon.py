"""A correction, an exchange, a new name and a document, all entered beside a running daemon that goes on."""

from pathlib import Path

import numpy as np
import pytest

from meterd.adapters.planfile.loader import load_plan
from meterd.adapters.store.issued_documents import IssueRecord
from meterd.adapters.store.journal import SqliteStore
from meterd.app.cli.main import main
from meterd.app.operations.order_handler import record_issued
from meterd.core.model.periods import Period, text
from meterd.core.model.reading import IMPORT
from tests.app.cli.test_exchange import OUT, SHOWN, WISH, after_exchange
from tests.app.small_plant import DAY, HOUR, MAY, MINUTE, QUARTER, STEP, filled, keep, readings
from tests.brokers import Mosquitto, until
from tests.faults.mill import Child

END = MAY + 3 * DAY
FROM, TO = MAY + 6 * HOUR, MAY + DAY
CORRECTED = (
    "--point",
    "q01",
    "--from",
    text(FROM),
    "--to",
    text(TO),
    "--factor",
    "250/200",
    "--reason",
    "plate",
    "--person",
)


@pytest.mark.slow
def test_a_running_daemon_takes_everything_up(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """Orders go through its folder, the plan is read again by itself; a restart of it changes nothing any more."""
    with Mosquitto() as broker:
        plan, path = filled(tmp_path, port=broker.port)
        keep(plan, path, [*readings(MAY + 2 * DAY, OUT - STEP), *after_exchange(OUT, END)], END + MINUTE)
        with Child(plan, path) as child:
            assert until(lambda: _held(path, child))
            assert main(["correct", str(plan), *CORRECTED, "Ada"]) == 0
            assert main(["correct", str(plan), "--withdraw", "3", "--reason", "r", "--person", "Ada"]) == 2
            paper = IssueRecord("day-report", "2026-05-04", MAY, MAY + DAY, 1, "Cleo", "ab" * 32, (("q01", IMPORT, 1),))
            assert record_issued(path, load_plan(plan).site, paper) == "document 1: day-report 2026-05-04"
            assert main(["exchange", str(plan), *WISH, *SHOWN]) == 0
            assert until(lambda: _energies(path, "q02") == [1_500_000] * (3 * 96), 30)
            assert main(["rename", str(plan), "--point", "q01", "--to", "ovens", "--person", "Ada"]) == 0
            assert until(lambda: "ovens" in _points(path), 30)
        with Child(plan, path) as child:
            assert until(lambda: _held(path, child))
            results = _energies(path, "ovens")
            assert (results[:24], results[24:96], results[96:192]) == (
                [2_400_000] * 24,
                [3_000_000] * 72,
                [2_400_000] * 96,
            )
            assert _energies(path, "q02") == [1_500_000] * (3 * 96)
    assert "record 1: exchange at q02" in capsys.readouterr().out
    store = SqliteStore.reader(path)
    assert [(record.kind, record.point) for record in store.records.all()] == [("exchange", "q02"), ("rename", "ovens")]
    store.close()


def _held(path: Path, child: Child) -> bool:
    """Whether that process has the store."""
    lock = path.with_name(path.name + ".lock")
    return lock.exists() and lock.read_text().strip() == str(child.pid)


def _energies(path: Path, point: str) -> list[int]:
    """Interval energies of a point, 0 where they are missing."""
    store = SqliteStore.reader(path)
    grid = np.arange(MAY, END, QUARTER, dtype=np.int64)
    results: list[int] = store.columns([(point, IMPORT)], Period.INTERVAL, grid).energy[:, 0].tolist()
    store.close()
    return results


def _points(path: Path) -> set[str]:
    store = SqliteStore.reader(path)
    results = {point for point, _ in store.channels()}
    store.close()
    return results
