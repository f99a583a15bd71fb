"""A value goes out when it says something new, and at the latest once in a heartbeat period."""

import itertools
from dataclasses import replace

import pytest

from meterd.adapters.publish.deadband import Changes, differs
from meterd.core.model.reading import Quality
from meterd.core.topics.table import Value, values
from tests.snapshots import site, snapshot

PLAN = site()


def one(topic: str) -> Value:
    """The value of one topic."""
    return next(value for value in values(snapshot(PLAN)) if value.topic.endswith(topic))


@pytest.mark.parametrize(
    ("topic", "changed", "new"),
    [
        ("site/draw", {"value": -1490.25}, False),  # 10 W: not beyond the dead band
        ("site/draw", {"value": -1490.0}, True),
        ("site/draw", {"at_ms": 1}, False),
        ("site/draw", {"state": Quality.ESTIMATED}, True),
        ("point/q01/import", {"value": 1234.568}, True),
        ("point/q01/import", {"at_ms": 1}, False),
        ("point/q01/voltage-l1", {"value": 100.001}, True),
        ("board/main/feed", {"at_ms": 1}, True),  # the same energy of the next interval
        ("board/main/running/feed", {"at_ms": 1}, False),
        ("pv/self-consumption", {"at_ms": 1}, True),
    ],
)
def test_what_is_new(topic: str, changed: dict[str, object], new: bool) -> None:
    value = one(topic)
    assert differs(replace(value, **changed), value) is new  # type: ignore[arg-type]


def test_two_invalid_values_are_the_same() -> None:
    value = replace(one("site/draw"), value=None, state=Quality.INVALID)
    assert not differs(replace(value, at_ms=1), value)


def test_everything_goes_out_once_then_once_a_period_and_after_forgetting() -> None:
    results = values(snapshot(PLAN))
    changes = Changes(tuple(value.entry for value in results), 30.0)
    times: dict[int, list[float]] = {place: [] for place in range(len(results))}
    for tick in range(100):
        for place, value in list(changes.due(results, float(tick))):
            changes.sent(place, value, float(tick))
            times[place].append(float(tick))
    for sent in times.values():
        gaps = [later - earlier for earlier, later in itertools.pairwise(sent)]
        assert sent[0] == 0.0
        assert max(gaps) <= 30.0
        assert len(sent) <= 5
    assert len({sent[1] for sent in times.values()}) > 5  # the heartbeats are spread
    changes.forget()
    assert len(list(changes.due(results, 100.0))) == len(results)


def test_what_was_not_taken_stays_due() -> None:
    results = values(snapshot(PLAN))
    changes = Changes(tuple(value.entry for value in results), 30.0)
    assert len(list(changes.due(results, 0.0))) == len(list(changes.due(results, 0.0))) == len(results)


def test_the_site_goes_first_and_points_take_turns_when_time_is_short() -> None:
    results = values(snapshot(PLAN))
    changes = Changes(tuple(value.entry for value in results), 30.0)
    points = sum("/point/" in value.topic for value in results)
    assert "/point/" not in next(changes.due(results, 0.0))[1].topic
    counts = [0] * len(results)
    for tick in range(4):  # everything changes all the time, and only the others and half of the points get through
        moved = tuple(replace(value, value=1e6 + 1000 * tick) for value in results)
        for place, value in itertools.islice(changes.due(moved, float(tick)), len(results) - points + points // 2):
            changes.sent(place, value, float(tick))
            counts[place] += 1
    assert counts[points:] == [4] * (len(results) - points)
    assert set(counts[:points]) == {2}


def test_points_whose_period_ends_go_before_points_that_changed() -> None:
    results = values(snapshot(PLAN))
    changes = Changes(tuple(value.entry for value in results), 30.0)
    points = sum("/point/" in value.topic for value in results)
    still, last_s, longest_s = points // 2, [0.0] * points, 0.0
    for look_s in (
        8.0 * k for k in range(15)
    ):  # there is room for half of the points, and the others change all the time
        moved = tuple(replace(v, value=1e6 + look_s) if still <= i < points else v for i, v in enumerate(results))
        due = [place for place, _ in changes.due(moved, look_s, 8.0)]
        mine = [place for place in due if place < points][: still + 2] if look_s else due
        for place in (*(place for place in due if place >= points), *mine):
            changes.sent(place, moved[place], look_s)
        for place in (place for place in mine if place < points):
            longest_s, last_s[place] = max(longest_s, look_s - last_s[place]), look_s
    assert max(longest_s, *(8.0 * 14 - at_s for at_s in last_s)) <= 30.0
