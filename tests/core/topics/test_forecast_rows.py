"""Forecasts on the network: the next interval, 48 hours with their band in the pack, and three hours as bare numbers."""

import json
from dataclasses import replace

import pytest

from meterd.core.model.forecast import Course, Quantity, SiteForecast
from meterd.core.model.reading import Quality
from meterd.core.topics.message import messages, parse
from meterd.core.topics.senml import resolve
from meterd.core.topics.table import Value, values
from tests.snapshots import NOW_MS, QUARTER_MS, START_MS, snapshot

ROOT = "energy/mill/"
NUMBERS = tuple(range(100_000, 100_192))
PV = Course(tuple(n - 50 for n in NUMBERS), NUMBERS, tuple(n + 50 for n in NUMBERS))


def forecast(young: bool = False, issued_ms: int = START_MS) -> SiteForecast:
    """Of PV and load; nothing of the surplus."""
    return SiteForecast(issued_ms, QUARTER_MS, young, 60, ((Quantity.PV, PV), (Quantity.LOAD, PV)))


def taken(made: SiteForecast | None) -> dict[str, Value]:
    """The values by topic below the site."""
    return {value.topic.removeprefix(ROOT): value for value in values(replace(snapshot(), forecast=made))}


@pytest.mark.parametrize(("topic", "place"), [("", 0), ("/1h", 3), ("/3h", 11), ("/6h", 23)])
def test_each_topic_has_its_interval(topic: str, place: int) -> None:
    """The interval that ends so many hours after the moment of issue; the time is that moment."""
    for name in ("pv/forecast", "site/load-forecast"):
        value = taken(forecast())[name + topic]
        assert (value.value, value.at_ms, value.state) == (NUMBERS[place], START_MS, Quality.GOOD)


def test_the_pack_holds_48_hours_of_three_quantiles() -> None:
    """Read by the reader of RFC 8428: each record's time is the end of its interval. It fits a broker's usual 20 kB."""
    pack, *bare = messages(taken(forecast())["pv/forecast"], 7, NOW_MS)
    records = resolve(pack.payload)
    for name, numbers in (("p10", PV.low), ("p50", PV.middle), ("p90", PV.high)):
        own = [record for record in records if record.name == f"{ROOT}pv/forecast:{name}"]
        assert [record.value for record in own] == list(numbers)
        assert [record.at_s for record in own] == [START_MS / 1000 + 900 * n for n in range(1, 193)]
        assert {record.unit for record in own} == {"W"}
    assert len(pack.payload) < 20_000
    assert parse(pack.payload).value == NUMBERS[0]
    assert [message.payload for message in bare] == [b"100000", str(START_MS // 1000).encode()]


def test_only_the_first_topic_carries_the_course() -> None:
    """The others are small."""
    pack = messages(taken(forecast())["pv/forecast/3h"], 7, NOW_MS)[0]
    assert len(json.loads(pack.payload)) == 3


def test_young_is_partial_and_missing_or_old_is_invalid() -> None:
    """Nothing without a forecast, nothing of a quantity without a course, nothing that was issued long ago."""
    assert taken(forecast(young=True))["pv/forecast"].state is Quality.PARTIAL
    assert taken(None)["pv/forecast"].state is Quality.INVALID
    assert taken(forecast())["pv/surplus-forecast"].state is Quality.INVALID
    assert taken(forecast(issued_ms=START_MS - 2 * QUARTER_MS))["pv/forecast/1h"].state is Quality.INVALID
    hole = replace(PV, middle=(None, *PV.middle[1:]))
    made = replace(forecast(), courses=((Quantity.PV, hole),))
    assert taken(made)["pv/forecast"].value is None
    assert taken(made)["pv/forecast/1h"].value == NUMBERS[3]
