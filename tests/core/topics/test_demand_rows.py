"""Rows of the demand: what a controller of the contract reads, and what is not known."""

from dataclasses import replace

import pytest

from meterd.core.model.demand import DemandOutlook, DemandWarning
from meterd.core.model.reading import Quality
from meterd.core.topics.table import values
from tests import snapshots

AHEAD = DemandOutlook(snapshots.NOW_MS - 2000, 40_000.0, 90_000.0, 101_000.0, forecast=True)


def rows(**changed: object) -> dict[str, tuple[float | int | None, str, Quality]]:
    """The rows of the demand of a site with a contract of 100 kW."""
    shot = replace(snapshots.snapshot(snapshots.site(contracted_w=100_000)), **changed)
    return {
        value.topic.removeprefix("energy/mill/site/"): (value.value, value.text, value.state) for value in values(shot)
    }


def test_the_warning_is_a_word_and_a_number() -> None:
    """As much of it as the outlook says; its mean is good with a forecast, partial without."""
    reported = rows(demand_outlook=AHEAD, demand_warning=DemandWarning.POSSIBLE)
    assert reported["demand-warning"] == (1, "possible", Quality.GOOD)
    assert reported["demand-expected"] == (90_000.0, "", Quality.GOOD)
    alone = rows(demand_outlook=replace(AHEAD, forecast=False), demand_warning=DemandWarning.LIKELY)
    assert alone["demand-warning"] == (2, "likely", Quality.GOOD)
    assert alone["demand-expected"] == (90_000.0, "", Quality.PARTIAL)


@pytest.mark.parametrize("name", ["demand-warning", "demand-expected", "demand-allowed"])
def test_what_is_not_known_is_invalid(name: str) -> None:
    """And never "none"."""
    assert rows(demand_outlook=None)[name] == (None, "", Quality.INVALID)


def test_a_site_without_contract_has_no_warning() -> None:
    """The other rows are there."""
    topics = {value.topic for value in values(snapshots.snapshot())}
    assert "energy/mill/site/demand-expected" in topics
    assert "energy/mill/site/demand-warning" not in topics
