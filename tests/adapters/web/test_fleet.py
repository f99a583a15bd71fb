"""`meterd fleet --page` in Chromium: each state of a site by word and shape, shared faults in one line, both languages."""

import json
import signal
import urllib.error
import urllib.request
from dataclasses import replace
from pathlib import Path

import pytest
from playwright.sync_api import Browser, expect

from meterd.core.model.plan_part import PlanPart
from meterd.core.topics.message import Service
from tests.adapters.web.browser import PHONE, WALL, accessibility_faults, opened, overflows
from tests.brokers import Mosquitto, until
from tests.faults.mill import now_ms, sending, write_plan
from tests.programs import Program

TARIFF = 'tariff = [{ name = "power", kind = "import", price = 0.2, until = "2020-01-01" }]\n'


def service(version: str = "0.2.0", ahead_ms: int = 0, *, live: bool = True, copy: str = "", title: str = "") -> bytes:
    """The service topic of a site."""
    beat_ms = now_ms() + ahead_ms
    reported = Service(live, "a1", 1, sequence=1, version=version, heartbeat_ms=beat_ms if live else None, period_s=600)
    reported = replace(reported, title=title)
    if copy:
        reported = replace(reported, files=(PlanPart("north.toml", copy, 1 if copy == "old" else 2),))
    return reported.message("energy/x").payload


def plans(folder: Path, port: int) -> list[str]:
    """Two plans whose prices have ended."""
    paths = []
    for name in ("mill", "quay"):
        path = write_plan(folder / name, port)
        text = path.read_text(encoding="utf-8")
        if name == "mill":
            text = text.replace('name = "mill"', 'name = "mill", title = "The mill"')
        else:
            text = text.replace('name = "mill"', f'name = "{name}"')
        text = text.replace('point = "q01", ', 'point = "q01", title = "Bakery, ovens", ')
        path.write_text(text.replace("[[input]]", f"{TARIFF}[[input]]", 1), encoding="utf-8")
        paths.append(str(path))
    return paths


@pytest.mark.slow
def test_many_sites_on_one_page(browser: Browser, tmp_path: Path) -> None:
    """Five sites, one fault at two of them; nothing is cut off on a phone and a wall; a stop ends it with exit code 0."""
    with Mosquitto() as broker, sending(broker.port) as out:
        assert until(out.connected)
        stale = {
            "cause": "drift",
            "text": "q01: no value yet",
            "remedy": "look there",
            "points": ["q01"],
            "state": "new",
        }
        for topic, payload in {
            "mill/service": service(copy="old"),
            "mill/finding/drift-q01": json.dumps(stale).encode(),
            "quay/service": service("0.1.0", copy="new", title="Quay of the ferry"),
            "quay/finding/drift-q01": json.dumps(stale).encode(),
            "yard/service": service(ahead_ms=8_000_000, title="Yard"),
            "dock/service": service(live=False, title="Yard"),
            "lock/service": b"\x1b[31m<script>",
        }.items():
            assert out.publish(f"energy/{topic}", payload, retain=True)
        assert until(lambda: out.unacknowledged() == 0)
        log = tmp_path / "log"
        program = Program(["fleet", "--page", "--port", "0", *plans(tmp_path, broker.port)], log)
        assert until(lambda: "all sites: " in log.read_text("utf-8")), log.read_text("utf-8")
        root = log.read_text("utf-8").partition("all sites: ")[2].partition(" ")[0]

        def told() -> dict[str, list[dict[str, object]]]:
            with urllib.request.urlopen(f"{root}api/fleet", timeout=30) as answer:
                result: dict[str, list[dict[str, object]]] = json.load(answer)
            return result

        assert until(lambda: [site["findings"] for site in told()["sites"]].count(1) == 2)
        states = {site["site"]: site["state"] for site in told()["sites"]}
        assert states == {"lock": "unreadable", "dock": "gone", "yard": "clock", "mill": "live", "quay": "live"}
        assert [(line["cause"], line["instruments"], line["sites"]) for line in told()["shared"]] == [
            ("drift", "B", ["mill", "quay"]),
            ("tariff", "import", ["mill", "quay"]),
        ]
        with opened(browser, root, size=PHONE) as page:
            text = page.inner_text("main")
            assert "Meter drifts (instruments of class B): at 2 of 5 sites" in text
            assert "Prices have ended (import): at 2 of 5 sites" in text
            for each in (
                "not understood",
                "gone",
                "clock is wrong",
                "2 h ahead",
                "enter new [[tariff]] rows",
                "0.1.0 older than others",
                "north.toml is out of date: at 1 of 2 sites",
            ):
                assert each in text
            names = page.locator("tbody th").all_inner_texts()
            assert names == ["lock", "Yard (dock)", "Yard (yard)", "The mill", "Quay of the ferry"], (
                "titles, of the plan too"
            )
            assert page.locator(".finding p").first.inner_text() == "The mill, Quay of the ferry"
            assert "Bakery, ovens: no value yet" in text, "and of a point where the plan is known"
            rows = page.locator("tbody tr td:nth-child(2) .mark")
            shapes = {rows.nth(i).evaluate("one => getComputedStyle(one, '::before').content") for i in range(5)}
            assert len(shapes) == 4, "a state is known by its shape alone"
            wide = page.locator(".wide").first
            assert wide.evaluate("one => one.scrollWidth <= one.clientWidth + 1"), "what is most urgent is in sight"
            assert not overflows(page)
            out.clear("energy/dock/service")
            expect(page.locator("tbody tr")).to_have_count(4)  # it follows by itself
        with opened(browser, root, size=WALL, language="de-AT", dark=True) as page:
            assert "Zähler driftet (Geräte der Klasse B): in 2 von 4 Anlagen" in page.inner_text("main")
            assert "north.toml ist veraltet: in 1 von 2 Anlagen" in page.inner_text("main")
            assert "PV-Erzeugung, kW" in page.inner_text("thead")
            assert accessibility_faults(page) == []
            assert not overflows(page)
        strange = urllib.request.Request(root, headers={"Host": "elsewhere.example"})
        with pytest.raises(urllib.error.HTTPError, match="421"):
            urllib.request.urlopen(strange, timeout=30)
        program.send_signal(signal.SIGTERM)
        assert program.wait(60) == 0
