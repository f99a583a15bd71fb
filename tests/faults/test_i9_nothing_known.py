"""Fault I9: a fresh site of which nothing is known is not "all right"; the page says so until it knows, and the worst first."""

from pathlib import Path
from zoneinfo import ZoneInfo

import httpx
import pytest

from meterd.adapters.mqtt.client import Link
from meterd.adapters.store.journal import SqliteStore
from meterd.app.operations.ledger import Ledger
from meterd.core.model.plan import Site
from tests.brokers import Mosquitto, until
from tests.faults.mill import DAY, FAR, MAY, as_readings, message, minutes, publish, sending, shown, site
from tests.faults.page_client import PageClient, asked
from tests.faults.test_c_time import Wall

pytestmark = pytest.mark.slow
MINUTE = 60_000
NO_DAY = "The drift watch has not looked yet: no whole day is closed."
TO_COME = "The drift watch has not looked yet: it does about a minute after the start"


def says(page: PageClient, verdict: str) -> bool:
    """Wait for a verdict of the first page."""
    return until(lambda: (s := page.page_values("now")) is not None and s["verdict"] == verdict, 90)


def send(out: Link, wall: Wall, first: int, last: int) -> None:
    """Minutes of all meters, each when both clocks have come to it."""
    for minute in range(first, last + 1):
        wall.skip(60)
        publish(out, [(f"m/{p}", message(MAY + minute * MINUTE, **v)) for p, v in shown(minute).items()])


def a_day(path: Path, plan: Site) -> None:
    """A store with the first day of the mill."""
    store = SqliteStore.writer(path)
    Ledger(store, plan, ZoneInfo(plan.zone)).tick(as_readings(minutes(24 * 60 + 1, step=5)), MAY + DAY + MINUTE)
    store.close()


def test_i9_a_fresh_site_is_not_known_until_the_drift_watch_has_seen_a_whole_day(tmp_path: Path) -> None:
    """Unknown before anything is heard, until a balance has closed, and in its first days; no finding meanwhile."""
    wall = Wall(MAY - 2 * MINUTE)
    with (
        Mosquitto() as broker,
        sending(broker.port) as out,
        asked(site(broker.port, limits=f"{FAR}, drift_pause_s = 1"), tmp_path / "s.sqlite", wall.clock()) as page,
    ):
        assert until(out.connected)
        assert page.looks_again()
        now = page.page_values("now")
        assert (now["verdict"], now["live"] - now["unheard"], now["judged"]) == ("unknown", 0, False)
        assert (now["first"], now["others"]) == (None, 0)
        quality = page.page_values("data")
        assert (quality["live"] - quality["unheard"], quality["live"]) == (0, 5)
        output = httpx.get(f"{page.address}/data", timeout=60).text
        assert "No fault is known so far: 0 of 5 live points have sent a value." in output
        assert "All meters are reporting" not in output
        send(out, wall, -1, 2)
        assert until(lambda: page.page_values("now")["unheard"] == 0, 60)
        assert page.page_values("now")["verdict"] == "unknown"
        assert "All meters are reporting" in httpx.get(f"{page.address}/data", timeout=60).text
        assert page.findings() == {}
        send(out, wall, 3, 20)
        assert until(lambda: page.page_values("now")["drift_look"] == "no_day", 90), page.page_values("now")
        now = page.page_values("now")
        assert (now["verdict"], now["judged"], now["first"]) == ("unknown", True, None)
        assert NO_DAY in page.html("now", "en")
        assert NO_DAY in page.html("findings", "en")
        balance = page.html("balance", "en")
        assert "No open finding names a meter of this board so far." in balance
        assert NO_DAY in balance
        assert "No meter of this board is suspect" not in balance


def test_i9_after_a_start_it_is_not_known_then_right_and_silence_of_the_whole_site_comes_first(tmp_path: Path) -> None:
    """With a day of history: unknown until the first look of this start; then right; then silence."""
    path, first = tmp_path / "s.sqlite", 24 * 60
    wall = Wall(MAY + DAY + MINUTE)
    with Mosquitto() as broker, sending(broker.port) as out:
        plan = site(broker.port, limits=f"{FAR}, drift_pause_s = 10", zone="UTC")
        a_day(path, plan)
        with asked(plan, path, wall.clock()) as page:
            assert until(out.connected)
            send(out, wall, first + 2, first + 20)
            assert until(lambda: (s := page.page_values("now"))["judged"] and s["unheard"] == 0, 60)
            if page.page_values("now")["drift_look"] == "to_come":  # on a slow machine it has looked by now
                assert says(page, "unknown")
                assert TO_COME in page.html("now", "en")
            assert says(page, "well"), page.page_values("now")
            assert page.page_values("now")["drift_look"] == "done"
            wall.skip(3_600)
            assert says(page, "look")
            assert until(lambda: page.page_values("now")["first"]["cause"] == "silent", 60), page.findings()
            assert next(iter(page.findings())) == "silent-mill"
