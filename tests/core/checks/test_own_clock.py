"""Whose clock is off: most meters against ours, or some against the rest."""

from hypothesis import given
from hypothesis import strategies as st

from meterd.core.checks.own_clock import OwnClock, confirms, judged, own_clock, own_clock_finding, without_own
from meterd.core.checks.staleness import CLOCK_OFF_MS, Arrivals, Stale, Staleness

HOUR = 3_600_000


def test_two_meters_prove_nothing_and_three_of_five_do() -> None:
    assert own_clock({"a": HOUR, "b": HOUR}, 2) is None
    assert own_clock({"a": HOUR, "b": HOUR, "c": HOUR, "d": 0, "e": 0}, 5) == OwnClock(HOUR, 3, 5)
    assert own_clock({"a": HOUR, "b": HOUR, "c": HOUR, "d": 0, "e": 0, "f": 0}, 6) is None, "half of them are not most"


def test_a_minute_is_no_clock_that_is_off_and_a_little_more_is() -> None:
    assert own_clock(dict.fromkeys("abc", CLOCK_OFF_MS), 3) is None
    assert own_clock(dict.fromkeys("abc", CLOCK_OFF_MS + 1), 3) == OwnClock(CLOCK_OFF_MS + 1, 3, 3)
    assert own_clock(dict.fromkeys("abc", -CLOCK_OFF_MS - 1), 3) == OwnClock(-CLOCK_OFF_MS - 1, 3, 3)


def test_meters_that_do_not_agree_with_each_other_accuse_nobody() -> None:
    assert own_clock({"a": HOUR, "b": 2 * HOUR, "c": 3 * HOUR}, 3) is None


@given(st.lists(st.integers(-3 * HOUR, 3 * HOUR), min_size=3, max_size=12), st.randoms(use_true_random=False))
def test_the_order_of_the_meters_does_not_matter(offsets: list[int], random: object) -> None:
    names = [f"m{i}" for i in range(len(offsets))]
    pairs = list(zip(names, offsets, strict=True))
    before = own_clock(dict(pairs), len(pairs))
    random.shuffle(pairs)  # type: ignore[attr-defined]
    assert own_clock(dict(pairs), len(pairs)) == before


def arrived(offset_ms: int | None) -> Arrivals:
    return Arrivals(0, 0, 0, offset_ms)


def test_being_behind_counts_only_once_it_was_measured() -> None:
    """A late delivery looks like a clock that is behind; one that is ahead cannot be explained so."""
    late = {name: arrived(-HOUR) for name in "abc"}
    assert judged(late, {}) is None
    assert judged(late, dict.fromkeys("abc", -HOUR)) == OwnClock(-HOUR, 3, 3)
    assert judged({name: arrived(HOUR) for name in "abc"}, {}) == OwnClock(HOUR, 3, 3)
    assert judged({name: arrived(None) for name in "abc"}, {}) is None, "without times of their own nothing is known"


def test_what_our_clock_explains_is_not_said_of_meters() -> None:
    def stale(offset_ms: int | None, kind: Stale = Stale.METER_TIME) -> Staleness:
        return Staleness("q01", kind, 0, "words", offset_ms)

    own = OwnClock(HOUR, 4, 5)
    points = [stale(HOUR), stale(-HOUR), stale(None), stale(HOUR, Stale.VALUE)]
    assert without_own(points, own) == points[1:]
    assert without_own(points, None) == points


def test_the_finding_says_which_way_and_how_far() -> None:
    behind, ahead = (own_clock_finding(OwnClock(sign * 7_200_000, 3, 4), "mill", 5) for sign in (1, -1))
    assert behind.text.startswith("the clock of this machine is 7200 s behind that of 3 of 4 meters")
    assert ahead.text.startswith("the clock of this machine is 7200 s ahead of that of 3 of 4 meters")
    assert (behind.cause, behind.subject, behind.at_ms) == ("own-clock", "mill", 5)


def test_meters_confirm_a_jump_that_brings_us_to_where_they_are() -> None:
    own = OwnClock(2 * HOUR, 3, 4)
    assert confirms(own, 7_200 - CLOCK_OFF_MS / 1000)
    assert not confirms(own, 7_199 - CLOCK_OFF_MS / 1000)
    assert not confirms(own, -7_200)
    assert not confirms(own, 0)
    assert not confirms(None, 7_200)
