"""The life of a drift finding in the running daemon (I5, I6), and a meter that reads a third.

Each case fills weeks of readings into a store, lets a daemon examine them, goes on with other days and starts it again.
"""

from collections.abc import Iterator
from pathlib import Path

import pytest

from meterd.adapters.store.journal import SqliteStore
from meterd.app.cli.main import main
from meterd.core.model.finding import FindingRow
from tests.app.drift_site import History, asked, filled
from tests.brokers import Mosquitto, until
from tests.faults.mill import Here, open_findings

pytestmark = pytest.mark.slow
LIMIT_S = 120.0
CAUSES = ("drift", "balance-shift")


@pytest.fixture(scope="module")
def quiet(tmp_path_factory: pytest.TempPathFactory) -> History:
    return filled(tmp_path_factory.mktemp("quiet"))


@pytest.fixture
def broker() -> Iterator[Mosquitto]:
    with Mosquitto() as item:
        yield item


@pytest.fixture
def history(quiet: History, broker: Mosquitto, tmp_path: Path) -> History:
    return quiet.copied(tmp_path / "case", broker.port)


def drifts(path: Path) -> dict[str, str]:
    """Open findings of the drift watch, by id."""
    return {name: finding.text for name, finding in open_findings(path).items() if finding.cause in CAUSES}


def examined(here: Here) -> bool:
    """Whether the daemon has looked at all closed days."""
    return until(here.examined, LIMIT_S)


def after(history: History) -> dict[str, str]:
    """What stands open once a daemon has examined the history."""
    with asked(history) as here:
        assert examined(here)
        here.looks(4)  # what the watch has found is kept
        return drifts(history.store)


def row_of(path: Path, name: str) -> FindingRow:
    store = SqliteStore.reader(path)
    try:
        return next(row for row in store.finding_tables.all() if row.finding.id == name)
    finally:
        store.close()


def test_i5_a_meter_repaired_without_a_word_closes_its_finding_with_the_day(history: History) -> None:
    """5 % low for 20 days, then right: closed within days, and no other meter is ever named."""
    history.add(20, {"feeder1": 0.95})
    assert list(after(history)) == ["drift-feeder1"]
    history.add(3)
    assert after(history) == {}
    row = row_of(history.store, "drift-feeder1")
    assert row.finding.text.startswith("feeder1 reads as before since 2026-05-20; feeder1 reads")
    history.add(30)
    assert after(history) == {}


def test_i5_what_is_accepted_begins_anew_alone(history: History, capsys: pytest.CaptureFixture[str]) -> None:
    """The command closes the finding for good; another meter's fault is found in days, with the old baseline."""
    history.add(8, {"feeder1": 0.95})
    with asked(history) as here:
        assert until(lambda: "drift-feeder1" in drifts(history.store), LIMIT_S)
        arguments = ["findings", str(history.plan), "--store", str(history.store), "--accept", "drift-feeder1"]
        assert main([*arguments, "--by", "Ada"]) == 2
        assert "--accept needs --note" in capsys.readouterr().err
        assert main([*arguments, "--by", "Ada", "--note", "new transformers"]) == 0
        assert until(lambda: drifts(history.store) == {}, LIMIT_S)
        assert until(lambda: not here.has("drift-feeder1", 0.0), LIMIT_S)  # the snapshot follows the store
    row = row_of(history.store, "drift-feeder1")
    assert (row.state, row.by) == ("closed", "Ada")
    assert row.finding.text.startswith("taken as the new normal; feeder1 reads")
    history.add(6, {"feeder1": 0.95, "feeder6": 0.95})
    assert list(after(history)) == ["drift-feeder6"]


def test_i5_an_exchanged_meter_begins_anew_alone(history: History) -> None:
    """The finding of the old meter ends; three days later another meter's fault is found."""
    history.add(8, {"feeder1": 0.95})
    assert list(after(history)) == ["drift-feeder1"]
    history.exchange("feeder1", "2026-05-08")
    history.add(3, {"feeder1": 1.008})
    assert after(history) == {}
    row = row_of(history.store, "drift-feeder1")
    assert row.finding.text.startswith("the instrument of feeder1 was exchanged on 2026-05-08; ")
    history.add(9, {"feeder1": 1.008, "feeder6": 0.95})
    assert list(after(history)) == ["drift-feeder6"]


def test_i5_a_corrected_meter_is_no_finding_and_its_next_fault_is(history: History) -> None:
    """The correction that the finding proposes ends it; right afterwards nothing is said, wrong again is found."""
    history.add(10, {"feeder1": 0.8})
    with asked(history):
        assert until(lambda: "drift-feeder1" in drifts(history.store), LIMIT_S)
        span = ["--from", "2026-04-30", "--to", "2026-05-10"]
        arguments = ["correct", str(history.plan), "--store", str(history.store), "--point", "feeder1"]
        for register in ("import", "export"):
            done = [
                *arguments,
                "--register",
                register,
                *span,
                "--factor",
                "5/4",
                "--reason",
                "plate",
                "--person",
                "Ada",
            ]
            assert main(done) == 0
        assert until(lambda: drifts(history.store) == {}, LIMIT_S)
    history.add(10)
    assert after(history) == {}
    history.add(5, {"feeder1": 0.8})
    assert list(after(history)) == ["drift-feeder1"]


def test_i6_a_second_fault_during_an_open_one_is_found(history: History) -> None:
    """Both stand open under their own names; each ends for itself."""
    history.add(10, {"feeder1": 0.95})
    assert list(after(history)) == ["drift-feeder1"]
    history.add(5, {"feeder1": 0.95, "feeder6": 0.9})
    assert set(after(history)) == {"drift-feeder1", "drift-feeder6"}
    history.add(4, {"feeder6": 0.9})
    assert list(after(history)) == ["drift-feeder6"]
    history.add(4)
    assert after(history) == {}


def test_a_meter_that_reads_a_third_is_reported_as_a_factor_with_dates_that_agree(
    history: History, capsys: pytest.CaptureFixture[str]
) -> None:
    """Text, evidence and `meterd suspects` say 0.33 of the true energy, and since the day the correction begins."""
    history.add(6, {"feeder1": 1 / 3})
    results = after(history)
    assert list(results) == ["drift-feeder1"]
    text = results["drift-feeder1"]
    assert "reads 0.334 +- 0.001 " in text
    assert "of the true energy, since 2026-04-30" in text
    evidence = row_of(history.store, "drift-feeder1").finding.evidence
    assert "--from 2026-04-30T00:00:00+02:00" in evidence[-1]
    assert main(["suspects", str(history.plan), "--store", str(history.store)]) == 0
    output = capsys.readouterr().out
    assert "of the true energy" in output
    for message in (text, *evidence, output):
        assert " %" not in message


def test_a_third_of_a_meter_without_transformers_has_no_cause_of_theirs(history: History) -> None:
    """feeder3 is connected directly: no ratio, no current transformer, and no correction line for it."""
    history.add(6, {"feeder3": 1 / 3})
    assert list(after(history)) == ["drift-feeder3"]
    finding = row_of(history.store, "drift-feeder3").finding
    every = " ".join((finding.text, *finding.evidence))
    assert "connected backwards" in every
    assert "meterd correct" not in every
    assert "ratio" not in every
    assert "current transformer reversed" not in every
