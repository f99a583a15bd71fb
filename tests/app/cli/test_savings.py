"""`meterd savings` by the command line: a planted saving, what it says and what it refuses."""

import json
from pathlib import Path

import pytest

from tests.app.commands import run
from tests.app.savings_site import CHANGED, DAYS, ColdStore, filled

Capture = pytest.CaptureFixture[str]


@pytest.fixture(scope="module")
def cold_store(tmp_path_factory: pytest.TempPathFactory) -> ColdStore:
    return filled(tmp_path_factory.mktemp("cold"))


def asked(capsys: Capture, cold_store: ColdStore, *texts: str) -> str:
    code, out, err = run(capsys, "savings", str(cold_store.plan), *texts, "--store", str(cold_store.store))
    assert (code, err) == (0, "")
    return out


def test_a_planted_saving_is_told_with_its_uncertainty(capsys: Capture, cold_store: ColdStore) -> None:
    """A tenth from the sixtieth day on, by the baseline of the plan; the formula is the planted one."""
    (answer,) = json.loads(asked(capsys, cold_store, "--format", "json"))
    assert (answer["point"], answer["outcome"]) == ("cold-store", "saved")
    assert answer["saved_wh"] / answer["expected_wh"] == pytest.approx(0.1, abs=0.01)
    assert answer["saved_wh"] > 3 * answer["band_wh"]
    planted = {"constant": 200_000, "day-off": -40_000, "heating": -3_000}
    assert {item["term"]: item["wh"] for item in answer["formula"]} == pytest.approx(planted, rel=0.05)
    assert answer["measured_wh"] == cold_store.taken[CHANGED:].sum() / 1000
    assert answer["days"][-1]["saved_since_first_day_wh"] == answer["saved_wh"]
    out = asked(capsys, cold_store, "cold-store")
    assert "Cold store saved " in out
    assert f"{CHANGED} of {CHANGED} days used" in out
    assert "on Saturdays and Sundays" in out
    days = asked(capsys, cold_store, "--format", "csv").splitlines()
    assert len(days) == 1 + DAYS - CHANGED


def test_other_periods_and_other_energies_may_be_named(capsys: Capture, cold_store: ColdStore) -> None:
    """The board takes what its one feeder does; without a measure in between no saving is shown."""
    periods = ("--baseline", "2026-01-05..2026-02-20", "--from", "2026-02-20", "--until", "2026-03-06")
    for name in ("cold-store", "north", "mill"):
        (answer,) = json.loads(asked(capsys, cold_store, name, *periods, "--format", "json"))
        assert (answer["point"], answer["outcome"], answer["known_days"]) == (name, "within", 14)
    assert "no saving is shown, the difference" in asked(capsys, cold_store, "north", *periods)
    short = asked(capsys, cold_store, "cold-store", "--baseline", "2026-02-01..2026-03-06")
    assert "too few days of the baseline can be used" in short
    assert "The baseline needs 42 days that can be used." in short


@pytest.mark.parametrize(
    ("texts", "expected"),
    [
        (("boiler", "--baseline", "2026-01..2026-03"), "the plan has no energy of boiler"),
        (("north",), "the plan has no [[baseline]] of north"),
        (("cold-store", "--baseline", "2026-01"), "cannot read --baseline '2026-01'"),
        (("cold-store", "--from", "2026-02"), "the reporting period overlaps the baseline"),
        (("cold-store", "--until", "2026-02"), "a period ends before it begins"),
    ],
)
def test_what_cannot_be_asked_is_refused(
    capsys: Capture, cold_store: ColdStore, texts: tuple[str, ...], expected: str
) -> None:
    """With words that say what would be right, and exit code 2."""
    code, _, err = run(capsys, "savings", str(cold_store.plan), *texts, "--store", str(cold_store.store))
    assert code == 2
    assert expected in err


def test_a_plan_without_a_baseline_says_so(capsys: Capture, cold_store: ColdStore, tmp_path: Path) -> None:
    """Then a point and its baseline have to be named."""
    text = (cold_store.plan / "site.toml").read_text().partition("[[baseline]]")[0]
    for path in cold_store.plan.iterdir():
        (tmp_path / path.name).write_text(text if path.name == "site.toml" else path.read_text())
    code, _, err = run(capsys, "savings", str(tmp_path), "--store", str(cold_store.store))
    assert code == 2
    assert "the plan has no [[baseline]]: name a point and --baseline" in err
