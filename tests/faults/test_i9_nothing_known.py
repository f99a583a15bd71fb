"""Fault I9: a fresh site of which nothing is known is not "all right"; the page says so until it knows, and the worst first."""

from pathlib import Path

import httpx
import pytest

from tests.brokers import Mosquitto, until
from tests.faults.mill import FAR, MAY, message, publish, sending, shown, site
from tests.faults.page_client import PageClient, asked
from tests.faults.test_c_time import Wall

pytestmark = pytest.mark.slow
MINUTE = 60_000


def says(page: PageClient, verdict: str) -> bool:
    """Wait for a verdict of the first page."""
    return until(lambda: (s := page.page_values("now")) is not None and s["verdict"] == verdict, 90)


def test_i9_a_fresh_site_is_not_known_then_right_and_silence_of_the_whole_site_comes_first(tmp_path: Path) -> None:
    """Unknown before anything is heard and until a balance has closed; no finding meanwhile; then right; then silence."""
    wall = Wall(MAY - 2 * MINUTE)
    with (
        Mosquitto() as broker,
        sending(broker.port) as out,
        asked(site(broker.port, limits=FAR), tmp_path / "s.sqlite", wall.clock()) as page,
    ):
        assert until(out.connected)
        assert page.looks_again()
        now = page.page_values("now")
        assert (now["verdict"], now["live"] - now["unheard"], now["judged"]) == ("unknown", 0, False)
        assert (now["first"], now["others"]) == (None, 0)
        quality = page.page_values("data")
        assert (quality["live"] - quality["unheard"], quality["live"]) == (0, 5)
        said = httpx.get(f"{page.address}/data", timeout=60).text
        assert "No fault is known so far: 0 of 5 live points have sent a value." in said
        assert "All meters are reporting" not in said
        for minute in range(-1, 2):
            publish(out, [(f"m/{p}", message(MAY + minute * MINUTE, **v)) for p, v in shown(minute).items()])
            wall.skip(60)
        assert until(lambda: page.page_values("now")["unheard"] == 0, 60)
        assert page.page_values("now")["verdict"] == "unknown"
        assert "All meters are reporting" in httpx.get(f"{page.address}/data", timeout=60).text
        assert page.findings() == {}
        for minute in range(2, 20):
            publish(out, [(f"m/{p}", message(MAY + minute * MINUTE, **v)) for p, v in shown(minute).items()])
            wall.skip(60)
        publish(out, [(f"m/{p}", message(MAY + 20 * MINUTE, **v)) for p, v in shown(20).items()])
        assert says(page, "well"), page.page_values("now")
        wall.skip(3_600)
        assert says(page, "look")
        assert until(lambda: page.page_values("now")["first"]["cause"] == "silent", 60), page.findings()
        assert next(iter(page.findings())) == "silent-mill"
