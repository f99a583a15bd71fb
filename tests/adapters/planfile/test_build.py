"""What a sound plan becomes: dates, inputs, scales, and a fingerprint of its meaning."""

from pathlib import Path

from meterd.adapters.planfile.loader import load_plan
from tests.plans import FILES, edited, write


def test_dates_mean_local_midnight_of_the_site(tmp_path: Path) -> None:
    plan = load_plan(write(tmp_path, FILES))
    old, new = plan.site.instruments_of("q01")
    assert old.until_ms == new.from_ms == 1_740_783_600_000  # date -u -d 2025-02-28T23:00Z +%s
    assert (old.closing, new.opening) == ((("1.8.0", 500_000),), (("1.8.0", 3_000),))


def test_an_input_holds_unit_scale_and_the_mark_of_the_secondary_side(tmp_path: Path) -> None:
    inputs = {
        (meter_input.point, meter_input.register): meter_input
        for meter_input in load_plan(write(tmp_path, FILES)).site.inputs
    }
    assert inputs["t2", "1.8.0"].per_ct
    assert (inputs["q01", "1.8.0"].unit, inputs["q01", "1.8.0"].scale) == ("kWh", 0.1)
    assert inputs["q01", "1.8.0"].where == "inputs.csv:4"
    assert inputs["room-02", "16.7.0"].unit == "W"
    assert inputs["room-02", "16.7.0"].field == "room-02:power"


def test_scale_ct_with_a_factor(tmp_path: Path) -> None:
    plan = load_plan(write(tmp_path, edited("inputs.csv", "Wh,ct,", "Wh,ct*0.001,")))
    meter_input = next(item for item in plan.site.inputs if item.point == "t2")
    assert (meter_input.scale, meter_input.per_ct) == (0.001, True)


def test_the_fingerprint_follows_the_meaning_and_not_the_spelling(tmp_path: Path) -> None:
    first = load_plan(write(tmp_path / "a", FILES))
    lines = FILES["points.csv"].splitlines()
    spelt = {
        **FILES,
        "points.csv": "\ufeff" + "\r\n".join([lines[0], *reversed(lines[1:])]).replace(",", ";"),
        "instruments.csv": "# moved\n\n" + FILES["instruments.csv"].replace("1e11", "100000000000"),
    }
    assert load_plan(write(tmp_path / "b", spelt)).fingerprint == first.fingerprint
    other = load_plan(write(tmp_path / "c", edited("points.csv", "live,63", "live,64")))
    assert other.fingerprint != first.fingerprint
