"""Sums, shares, comparison and peak of the energies of a range."""

from pathlib import Path

import httpx
import pytest

from meterd.adapters.web.backend import Viewer
from meterd.adapters.web.pages.energy import view
from meterd.adapters.web.pages.energy_query import EnergyQuery
from tests.adapters.web.conftest import Mill
from tests.adapters.web.pages.test_energy import ask
from tests.adapters.web.request_contexts import context_of, shot

pytestmark = pytest.mark.slow


def test_the_peak_of_yesterday_has_its_time_and_who_made_it(mill: Mill) -> None:
    """The sum's highest interval, and what each feeder had in it."""
    view = ask(mill, "range=yesterday&of=bakery-ovens", code=422)
    assert "point:bakery-ovens" in str(view["detail"])
    view = ask(mill, "range=yesterday&of=point:cold-store&of=point:heat-pump")
    total = view["total"]
    assert isinstance(total, dict)
    rows = {line["key"]: line for line in view["ranking"]}  # type: ignore[attr-defined]
    at_peak = sum(rows[key]["at_peak_mwh"] for key in rows)
    assert round(at_peak * 4 / 1000) == total["peak_w"]
    assert total["peak_w"] >= max(line["peak_w"] for line in rows.values())
    largest = max(rows.values(), key=lambda line: line["at_peak_mwh"])["title"]
    page = httpx.get(f"{mill.address}/energy?range=yesterday&of=point:cold-store&of=point:heat-pump", timeout=30).text
    assert f"most of it: {largest} " in page  # who made it is said beside it


def test_sums_agree_with_the_stored_day(mill: Mill) -> None:
    """The energy of yesterday is the day's figure, whatever the step; its share is of all that is shown."""
    of = "of=point:cold-store&of=point:heat-pump&range=yesterday"
    by_interval, by_hour = ask(mill, of + "&step=interval"), ask(mill, of + "&step=hour")
    energies = [[line["energy_mwh"] for line in view["ranking"]] for view in (by_interval, by_hour)]  # type: ignore[attr-defined]
    assert energies[0] == energies[1]
    shares = [line["share"] for line in by_hour["ranking"]]  # type: ignore[attr-defined]
    assert sum(shares) == pytest.approx(1.0)
    span = f"of=point:cold-store&range=span&from={by_hour['from_ms']}&until={by_hour['until_ms']}"
    assert ask(mill, span)["ranking"][0]["energy_mwh"] in energies[0]  # type: ignore[index]


def test_figures_of_the_site_have_no_sum(mill: Mill) -> None:
    """Consumption, import and PV contain each other: no sum, no share, lines instead of areas; feeders have a sum."""
    view = ask(mill, "of=site&range=yesterday")
    assert (view["overlapping"], view["total"], view["before"]) == (True, None, [])
    assert {line["share"] for line in view["ranking"]} == {None}  # type: ignore[attr-defined]
    page = httpx.get(f"{mill.address}/energy?of=site&range=yesterday", timeout=30).text
    assert '"form": "lines"' in page
    assert "contain each other" in page
    assert ask(mill, "of=feeders&range=yesterday")["total"] is not None


def test_today_is_compared_with_the_same_part_of_yesterday(mill: Mill) -> None:
    """And with the same weekday of the week before, if that is asked for."""
    day = 86_400_000
    view = ask(mill, "range=today")
    assert view["before_until_ms"] == view["known_until_ms"] - day  # type: ignore[operator]
    view = ask(mill, "range=today&against=week")
    assert view["before_from_ms"] == view["from_ms"] - 7 * day  # type: ignore[operator]
    assert ask(mill, "range=today&against=none")["before_from_ms"] is None


@pytest.mark.parametrize("picture", ["stacked", "heat", "flow"])
def test_where_no_meter_has_sent_anything_nothing_is_ranked(tmp_path: Path, picture: str) -> None:
    """Before the history there is nothing; in it every figure is missing, and none is zero."""
    context = context_of(tmp_path / "s.sqlite", [])
    before, today = (
        view(context, Viewer(), shot(context), EnergyQuery.model_validate({"range": range_, "picture": picture}))
        for range_ in ("last-month", "today")
    )
    assert (before.series, before.ranking, before.total, before.hours, before.flows) == ([], [], None, None, [])
    assert {value for line in today.series for value in line.values} <= {None}
    assert {flow.energy_mwh for flow in today.flows} <= {None}
    assert today.total is None or today.total.energy_mwh is None
