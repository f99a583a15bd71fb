"""[forecast] of site.toml: what may be left out, and every fault with its place and what would be right."""

from pathlib import Path

import pytest

from meterd.adapters.planfile.loader import PlanError, load_plan
from meterd.core.model.forecast import ForecastInput, OutsideQuantity
from meterd.core.texts.plan_diff import change
from tests.plans import FILES, POINTS, SITE, write

ROOF = POINTS + "roof,south,pv,,Roof,live,63,,\n"
SOUND = {"topic": '"weather/roof"', "quantity": '"power"', "field": '"/v"', "time_field": '"/t"'}


def load(folder: Path, keys: dict[str, str], points: str = ROOF) -> ForecastInput:
    """The plan with that table."""
    table = "".join(f"{key} = {value}\n" for key, value in keys.items())
    write(folder, {**FILES, "points.csv": points, "site.toml": f"{SITE}\n[forecast]\n{table}"})
    return load_plan(folder).site.forecast


def test_source_and_unit_may_be_left_out(tmp_path: Path) -> None:
    """The only source, and the unit of the quantity; a SenML name needs no list of times."""
    assert load(tmp_path, SOUND) == ForecastInput("broker", "weather/roof", OutsideQuantity.POWER, "/v", "/t", "W")
    pack = {"topic": '"w"', "quantity": '"cloud-cover"', "field": '"sky:cover"', "unit": '"%"', "stamp": '"end"'}
    cover = ForecastInput("broker", "w", OutsideQuantity.CLOUD_COVER, "sky:cover", "", "%", "end")
    assert load(tmp_path, pack) == cover


def test_a_changed_table_is_told(tmp_path: Path) -> None:
    """In the words for a plan that was read again."""
    load(tmp_path, SOUND)
    before = load_plan(tmp_path).site
    load(tmp_path, {**SOUND, "unit": '"kW"'})
    assert change(before, load_plan(tmp_path).site) == "forecast changed: unit"


@pytest.mark.parametrize(
    ("key", "value", "what", "right"),
    [
        ("topic", '"weather/+"', "holds a wildcard", "in full"),
        ("topic", '"energy/mill/pv/forecast"', "below the own output", "another sender"),
        ("topic", '"meters/q01"', "is that of a meter", "topic of its own"),
        ("quantity", '"sunshine"', "is not known", "irradiance"),
        ("quantity", '"wind"', "is not known", "power"),
        ("unit", '"kWh"', "unit 'kWh' does not fit a forecast of power", "W, kW, MW"),
        ("source", '"other"', "source other does not exist", "broker"),
        ("field", '"/~2"', "is not a JSON Pointer", "/hours/time"),
        ("field", '"a b"', "neither a JSON Pointer nor a SenML name", "list of values"),
        ("field", '"roof:power"', "a SenML pack has its own times", "leave time_field out"),
        ("time_field", '""', "time_field is missing", "/hours/time"),
        ("time_field", '"t"', "is not a JSON Pointer", "/hours/time"),
        ("stamp", '"middle"', "is not known", "start"),
        ("weight", "1", "unknown key 'weight'", "topic"),
    ],
)
def test_faults_name_place_and_remedy(tmp_path: Path, key: str, value: str, what: str, right: str) -> None:
    with pytest.raises(PlanError) as caught:
        load(tmp_path, {**SOUND, key: value})
    (fault,) = caught.value.faults
    assert str(fault).startswith("site.toml:")
    assert what in str(fault)
    assert right in str(fault)


def test_a_site_without_pv_has_no_use_for_it(tmp_path: Path) -> None:
    with pytest.raises(PlanError, match="no point of role pv"):
        load(tmp_path, SOUND, POINTS)
