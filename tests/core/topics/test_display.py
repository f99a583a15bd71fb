"""The message for displays: everything in one, below 1 kB, nothing made up where something is missing."""

import json
from dataclasses import replace
from fractions import Fraction

import pytest
from jsonschema import Draft202012Validator

from meterd.core.model.periods import text
from meterd.core.model.reading import Quality
from meterd.core.model.snapshot import PowerNow, Snapshot
from meterd.core.model.surplus_level import SurplusLevel
from meterd.core.model.tariff import Price, PriceKind, times_in
from meterd.core.topics.display import display_fields, display_payload
from meterd.core.topics.schemas import display_schema
from meterd.core.topics.table import values
from tests.snapshots import NOW_MS, site, snapshot

PRICES = (
    Price("day", PriceKind.IMPORT, Fraction(1234567, 1000000), currency="currency" * 9, times=times_in("00:00-12:00")),
    Price("all", PriceKind.IMPORT, Fraction(7654321, 1000000), currency="currency" * 9),
)


def picture(level: SurplusLevel = SurplusLevel.SOME) -> Snapshot:
    """With all energies of today."""
    shot = snapshot()
    assert shot.pv_day is not None
    return replace(shot, surplus_level=level, pv_day=replace(shot.pv_day, import_mwh=7_000, consumption_mwh=407_000))


def test_the_message_holds_what_a_display_shows() -> None:
    """Taken by hand from tests/snapshots.py."""
    fields = json.loads(display_payload(picture()))
    assert (fields["production_w"], fields["draw_w"], fields["surplus_w"], fields["surplus"]) == (
        9000,
        -1500,
        1500,
        "some",
    )
    assert fields["today"] == {
        "production_wh": 500, "self_use_wh": 400, "import_wh": 7, "export_wh": 100, "consumption_wh": 407,
    }  # fmt: skip
    assert (fields["state"], fields["age_s"]) == ("good", 2)
    assert fields["words"] == {
        "en": "PV is producing 9.0 kW, some surplus: 1.5 kW",
        "de": "PV erzeugt 9,0 kW, etwas Überschuss: 1,5 kW",
    }


def test_the_price_of_now_and_its_next_change() -> None:
    """Null without [[tariff]]; otherwise a number per kWh, the moment of the change, and the number then."""
    assert display_fields(picture())["tariff"] is None
    begins = Price("levy", PriceKind.IMPORT, Fraction("0.25"), from_ms=NOW_MS - NOW_MS % 900_000 + 900_000)
    base = Price("energy", PriceKind.IMPORT, Fraction("0.2"))
    fields = display_fields(replace(picture(), site=replace(site(), tariff=(base, begins))))
    until = text(begins.from_ms)
    assert fields["tariff"] == {"price": 0.2, "currency": "EUR", "until": until, "then": 0.45}


def test_what_is_missing_is_null_and_said() -> None:
    """No power, no day: invalid, and the words say that nothing is known."""
    nothing = PowerNow(None, NOW_MS, Quality.INVALID, "no power")
    shot = replace(picture(SurplusLevel.UNKNOWN), production=nothing, draw=nothing, pv_day=None)
    shot = replace(shot, surplus=replace(shot.surplus, power_w=None, state=Quality.INVALID))
    fields = display_fields(shot)
    assert (fields["state"], fields["age_s"], fields["today"], fields["production_w"]) == ("invalid", None, None, None)
    assert fields["words"] == {
        "en": "PV is not known, the surplus is not known",
        "de": "PV ist nicht bekannt, der Überschuss ist nicht bekannt",
    }
    assert display_fields(replace(picture(), draw=nothing))["state"] == "partial"


@pytest.mark.parametrize("level", list(SurplusLevel))
def test_it_follows_its_schema_and_stays_below_a_kilobyte(level: SurplusLevel) -> None:
    """Also with a long title and large figures."""
    large = PowerNow(-123_456_789.0, NOW_MS - 59_000, Quality.GOOD)
    shot = replace(
        picture(level), site=replace(site(), title="Harrow Mill " * 30, tariff=PRICES), draw=large, production=large
    )
    payload = display_payload(shot)
    assert len(payload) < 1000
    Draft202012Validator(display_schema()).validate(json.loads(payload))


def test_energies_of_today_and_the_word_are_topics() -> None:
    """As packs of the table, in Wh and as a word with its number."""
    of = {value.topic.removeprefix("energy/mill/"): value for value in values(picture(SurplusLevel.PLENTY))}
    today = {name: of[name].value for name in of if name.endswith("-today")}
    assert today == {
        "pv/production-today": 500.0, "pv/self-use-today": 400.0, "site/import-today": 7.0,
        "site/export-today": 100.0, "site/consumption-today": 407.0,
    }  # fmt: skip
    assert (of["pv/surplus-level"].value, of["pv/surplus-level"].text) == (2, "plenty")
    unknown = {value.topic: value for value in values(picture(SurplusLevel.UNKNOWN))}["energy/mill/pv/surplus-level"]
    assert (unknown.value, unknown.text, unknown.state) == (3, "unknown", Quality.GOOD)
