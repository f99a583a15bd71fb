"""Figures made once more from an archive are those of the store, bit by bit; another plan gives others, and says which."""

import json
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from meterd.adapters.archive.target import ArchiveTarget, Login
from meterd.adapters.cluster.workers import workers
from meterd.adapters.planfile.loader import Plan, load_plan
from meterd.adapters.store.journal import SqliteStore
from meterd.app.operations import archive as archive_module
from meterd.app.operations.archive import archive_months
from meterd.app.operations.history import Answer, Place, PlanFile, Question, ask
from meterd.app.operations.ledger import Ledger
from meterd.app.operations.order_handler import carry_out, order_of
from meterd.core.model.periods import DAY_MS, HOUR_MS, Period
from meterd.core.model.reading import IMPORT, Reading
from meterd.core.registers.corrections import STRUCK, Correction
from tests.app.operations.archived_site import NOW, place, site_with_months
from tests.app.two_meters import BEGIN, CHANNELS, plan_file, readings
from tests.faults.mill import MAY

FEBRUARY = BEGIN + 31 * DAY_MS
CAPACITY = 10**12  # of the registers of the two meters, in mWh as shown


@pytest.fixture(autouse=True)
def _at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(archive_module, "SETTLE_S", 0.0)


def hard_readings(days: int) -> list[Reading]:
    """Two meters with gaps; around the first of February the feed stands still and catches up, and the feeder rolls over."""
    plain = readings(days)
    at = {name: [r for r in plain if (r.point, r.register) == (name, IMPORT)] for name, _ in CHANNELS}
    stands = next(r for r in at["feed"] if r.at_ms >= FEBRUARY - 4 * HOUR_MS)
    base = CAPACITY - int(next(r for r in at["f1"] if r.at_ms >= FEBRUARY - HOUR_MS).value) - 1
    results = []
    for r in plain:
        if (r.point, r.register) == ("feed", IMPORT) and FEBRUARY - 4 * HOUR_MS < r.at_ms < FEBRUARY + 5 * HOUR_MS:
            r = Reading("feed", IMPORT, r.at_ms, stands.value, r.at_ms)
        elif (r.point, r.register) == ("f1", IMPORT):
            r = Reading("f1", IMPORT, r.at_ms, (base + int(r.value)) % CAPACITY, r.at_ms)
        results.append(r)
    return results


@pytest.fixture
def two(tmp_path: Path) -> tuple[Path, Place]:
    """The plan of the two meters, and an archive of two months."""
    file = plan_file(tmp_path)
    text = file.read_text(encoding="utf-8")
    file.write_text(text.replace('role = "feed"', 'role = "feed", rating_a = 1'), encoding="utf-8")
    plan = load_plan(file)
    path = tmp_path / "s.sqlite"
    store = SqliteStore.writer(path)
    until = BEGIN + 61 * DAY_MS
    ledger = Ledger(store, plan.site, ZoneInfo(plan.site.zone))
    with store.transaction():
        store.add_readings(hard_readings(62))
    ledger.recompute_all(until, until)
    kinds = {event.kind for _, event in ledger.state.events}
    store.close()
    assert {"rollover", "frozen"} <= kinds
    archive_months(plan, path, ArchiveTarget(str(tmp_path / "archive")), until)
    return file, Place(str(tmp_path / "archive"), Login())


def asked(where: Place, question: Question, plan: Path | None = None) -> list[Answer]:
    """The answers, by a plan if there is one."""
    known = None if plan is None else load_plan(plan)
    plans = {} if known is None else {known.site.name: PlanFile(str(plan), known.fingerprint)}
    with workers(1) as spread:
        return list(ask([where], [], question, spread, plans=plans))


def lines(answers: list[Answer]) -> list[str]:
    """The lines, sorted: an archive stands in the order of registers, the daemon's functions in that of time."""
    return sorted(json.dumps(line) for answer in answers for line in answer.lines)


@pytest.mark.parametrize("show", ["energy", "balance", "demand"])
def test_the_same_plan_gives_the_figures_of_the_store(show: str, two: tuple[Path, Place]) -> None:
    """With gaps, a rollover and a register that stood still over the end of a month; every kind of period."""
    plan, where = two
    for period in (Period.INTERVAL, Period.HOUR, Period.DAY, Period.MONTH):
        question = Question(show, period)
        made = asked(where, question, plan)
        assert [answer.troubles + answer.differing for answer in made] == [(), ()]
        assert [answer.compared for answer in made] == [2 * 31 * 24, 2 * 28 * 24]
        assert lines(made) == lines(asked(where, question))


def corrected_mill(folder: Path) -> tuple[Plan, Place]:
    """The mill with PV, a factor and a single reading corrected, and its archive."""
    plan, path = site_with_months(folder)
    for correction in (
        Correction(0, "q01", "1.8.0", MAY + 10 * DAY_MS + 1, MAY + 12 * DAY_MS, "2", "plate", "Ada", NOW),
        Correction(0, "q02", "1.8.0", MAY + 30 * DAY_MS, None, "1", "telegram", "Ada", NOW, reads=STRUCK),
    ):
        done, text = carry_out(order_of(correction), path, plan.site, NOW)
        assert done, text
    archive_months(plan, path, place(folder), NOW)
    return plan, Place(str(folder / "archive"), Login())


def test_corrections_are_those_of_the_archive(tmp_path: Path) -> None:
    """A factor and a struck reading; energies, balances and PV as in the store."""
    _, where = corrected_mill(tmp_path)
    for show in ("energy", "balance", "pv"):
        made = asked(where, Question(show, Period.DAY), tmp_path / "mill.toml")
        assert [answer.troubles + answer.differing for answer in made] == [(), ()]
        assert lines(made) == lines(asked(where, Question(show, Period.DAY)))


def test_another_plan_gives_other_figures_and_says_which(two: tuple[Path, Place]) -> None:
    """A register said to be longer: its rollover was a reset, and the energy of that hour is only a lower bound."""
    plan, where = two
    message = plan.read_text(encoding="utf-8")
    plan.write_text(message.replace("register_max_wh = 1e9", "register_max_wh = 1e10"), encoding="utf-8")
    january, february = asked(where, Question("energy", Period.DAY), plan)
    assert 0 < len(january.differing) < 5
    assert all(message.startswith("mill f1 1.8.0 2026-01-31T2") for message in january.differing)
    last = {line["point"]: line["quality"] for line in january.lines if line["period"] == "2026-01-31"}
    assert last == {"feed": "estimated", "f1": "at least"}
    assert [text.partition("Z")[0] for text in february.differing] == ["mill f1 1.8.0 2026-01-31T23:00:00"]


def test_a_plan_that_no_longer_names_a_point(two: tuple[Path, Place]) -> None:
    """What is left out is named; so is a plan that is another one where the work is done."""
    plan, where = two
    text = plan.read_text(encoding="utf-8")
    plan.write_text(text.replace('point = "f1"', 'point = "f2"'), encoding="utf-8")
    january, _ = asked(where, Question("energy"), plan)
    assert january.troubles == ("mill: the plan has no input for f1 1.8.0; what is archived of it is left out",)
    assert {line["point"] for line in january.lines} == {"feed"}
    with workers(1) as spread:
        january, _ = ask([where], [], Question("energy"), spread, plans={"mill": PlanFile(str(plan), "another")})
    assert "is another plan where the work is done; all must see the same one" in january.troubles[0]
