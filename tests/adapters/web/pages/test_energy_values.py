"""The answer as JSON is what the description of the interface says: it is made without checks, for speed."""

import httpx
import pytest

from meterd.adapters.web.pages.energy_pictures import energy_pictures
from meterd.adapters.web.pages.energy_values import EnergyView
from tests.adapters.web.conftest import Mill
from tests.example_plans import example

pytestmark = pytest.mark.slow


@pytest.mark.parametrize("picture", ["stacked", "lines", "bars", "duration", "heat", "flow"])
def test_an_answer_fits_its_description(mill: Mill, picture: str) -> None:
    """Every field is there and of its kind; one value for each step."""
    answer = httpx.get(f"{mill.address}/api/energy?range=yesterday&picture={picture}", timeout=30)
    view = EnergyView.model_validate(answer.json())
    assert view.query.picture == picture
    assert {len(line.values) for line in view.series} <= {len(view.edges) - 1}
    assert (len(view.curves) > 0, view.hours is not None, len(view.flows) > 0) == tuple(
        picture == kind for kind in ("duration", "heat", "flow")
    )
    if view.curves:  # found by hand: the legend named the sum of the others where a feeder of its own is drawn
        drawn = energy_pictures(view, example("harrow-mill"), "en")
        assert [entry.words for entry in drawn["curve_legend"]] == [curve.title for curve in view.curves]  # type: ignore[attr-defined]
        assert len(drawn["curve"].broad.marks) == len(view.curves)  # type: ignore[attr-defined]
