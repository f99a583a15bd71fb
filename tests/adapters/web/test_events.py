"""What somebody who has not logged in gets of the running demo: every address and every event of the stream."""

import json
import re
from collections.abc import Iterator

import httpx
import pytest

from meterd.adapters.web.registry import PAGES
from tests.adapters.web.conftest import PASSWORD, Mill
from tests.example_plans import example

pytestmark = pytest.mark.slow
SITE = example("harrow-mill")
ROOMS = {point for row in SITE.copied for point in row.points}
NAMES = ROOMS | {consumer.name for consumer in SITE.consumers if consumer.point in ROOMS}
PLAN = {
    "rating_a",
    "findings",
    "more",
    "longest_note",
    "use_judged",
    "use_loads",
}  # numbers beside a name that are no figures of a room


def told(value: object, names: set[str]) -> Iterator[tuple[str, dict[str, float]]]:
    """Every number that stands in one object with a name of these, or below one of them as its key."""
    if isinstance(value, dict):
        numbers = {k: v for k, v in value.items() if isinstance(v, int | float) and not isinstance(v, bool)}
        for name in names & ({item for item in value.values() if isinstance(item, str)} | value.keys()):
            if results := {k: v for k, v in numbers.items() if k not in PLAN}:
                yield name, results
        for item in value.values():
            yield from told(item, names)
    elif isinstance(value, list):
        for item in value:
            yield from told(item, names)


def addresses() -> list[str]:
    """Every page as it is opened, for one room and for each board and length of time."""
    room = sorted(ROOMS)[0]
    results = [
        f"{page_entry.path}{rest}"
        for page_entry in PAGES
        for rest in ("", f"?point={room}", f"?q={room}", f"?id=stale-{room}")
    ]
    results += [
        f"/why?point={room}&register=1.8.0&period={p}&start=0" for p in ("interval", "hour", "day", "week", "month")
    ]
    results += [
        f"/balance?board={b.name}&period={p}" for b in SITE.boards for p in ("interval", "hour", "day", "month")
    ]
    return results


def event(client: httpx.Client) -> dict[str, object]:
    """The first event of the stream."""
    with client.stream("GET", "/stream") as answer:
        line = next(line for line in answer.iter_lines() if line.startswith("data: "))
    results: dict[str, object] = json.loads(line[6:])
    return results


def test_i17_no_address_tells_a_figure_of_a_single_room_without_a_role(mill: Mill) -> None:
    """JSON of every page, the page of each, the figures about the program; whoever may see them gets some."""
    with httpx.Client(base_url=mill.address, timeout=60) as client:
        for address in addresses():
            answer = client.get(f"/api{address}")
            if answer.status_code == 200:
                assert list(told(answer.json(), NAMES)) == [], address
            text = client.get(address).text
            assert not re.search(rf'data-share="({"|".join(sorted(NAMES))})"', text), address
        assert not any(name in client.get("/metrics").text for name in NAMES)
        form = {"name": "look", "password": PASSWORD}
        assert client.post("/login", data=form).status_code == 303
        assert list(told(client.get("/api/pv").json(), NAMES))


def test_i17_the_stream_tells_shares_of_rooms_to_whoever_may_see_them(mill: Mill) -> None:
    """Without a role those of plant and car are in it, those of studios are not."""
    with httpx.Client(base_url=mill.address, timeout=60) as client:
        shares = event(client)["shares"]
        assert isinstance(shares, dict)
        assert shares
        assert NAMES.isdisjoint(shares)
        client.post("/login", data={"name": "look", "password": PASSWORD})
        seen = event(client)["shares"]
        assert isinstance(seen, dict)
        assert seen.keys() >= NAMES - ROOMS
