"""The figures of the page of energies as a file."""

import csv
import io

import httpx
import pytest

from tests.adapters.web.conftest import Mill
from tests.adapters.web.pages.test_energy import ask

pytestmark = pytest.mark.slow


def test_the_file_holds_what_is_shown(mill: Mill) -> None:
    """A line for each step and energy; missing is empty, and says so."""
    text = httpx.get(f"{mill.address}/energy.csv?range=today&of=point:lifts-north&of=point:cafe", timeout=30)
    assert text.headers["content-type"].startswith("text/csv")
    rows = list(csv.DictReader(io.StringIO(text.text)))
    view = ask(mill, "range=today&of=point:lifts-north&of=point:cafe")
    shown = {line["key"]: line["values"] for line in view["series"]}  # type: ignore[attr-defined]
    cafe = [float(row["energy_wh"]) for row in rows if row["item"] == "point:cafe"]
    assert cafe == [mwh / 1000 for mwh in shown["point:cafe"][: len(cafe)]]
    assert any(
        row["quality"] == "missing" and not row["energy_wh"] for row in rows if row["item"] == "point:lifts-north"
    )
    flow = httpx.get(f"{mill.address}/energy.csv?range=yesterday&picture=flow", timeout=30).text
    assert flow.startswith("start,end,board,band,point,into,energy_wh\n")
