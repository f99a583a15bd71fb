"""The reference controller: follows while its share is valid, goes to its fallback after its own random delay."""

import json
import random

import pytest

from meterd.demo.controller import Controller

GOOD = b'[{"bn":"energy/mill/share/me","bt":1780000000,"u":"W","v":1500,"ut":60},{"n":":state","vs":"good"}]'
BAD = b'[{"bn":"energy/mill/share/me","bt":1780000000,"n":":state","vs":"invalid","ut":60}]'


def controller(**more: float) -> Controller:
    """A load of 1.5 kW whose own delay is 4.2 s (seed 1 of 0 to 30 s) unless said otherwise."""
    found = Controller(1500.0, chance=random.Random(1), **more)
    assert found.own_delay_s == pytest.approx(4.03, abs=0.01)
    return found


def told(one: Controller, share: float, now_s: float, pack: bytes = GOOD, left_s: float | None = None) -> None:
    """A share with its pack arrives."""
    one.heard_pack(pack)
    one.heard_share(str(share).encode(), left_s, now_s)


def test_follows_after_its_own_delay_and_obeys_at_once() -> None:
    """After a start it is in fallback; a share that stays valid for its delay is followed; a lower one then at once."""
    one = controller()
    told(one, 1500, 0.0)
    assert one.step(0.0) == one.step(4.0) == 0.0
    assert one.step(5.0) == 1500.0
    told(one, 700, 6.0)
    assert one.step(6.0) == 700.0
    told(one, 9000, 7.0)
    assert one.step(7.0) == 1500.0, "never more than it can take"


def test_a_value_older_than_ut_is_dead() -> None:
    """60 s after the last message the share is not used; its own delay later the fallback is taken."""
    one = controller(fallback_w=300.0)
    told(one, 1500, 0.0)
    one.step(0.0)
    assert one.step(10.0) == one.step(60.0) == 1500.0
    assert one.step(61.0) == 1500.0
    assert one.step(64.0) == 1500.0
    assert one.step(65.5) == 300.0


def test_what_the_broker_kept_is_valid_for_what_is_left() -> None:
    """A retained share with 5 s of expiry left: not used for a whole `ut` again."""
    one = controller()
    told(one, 1500, 0.0, left_s=5)
    assert one.usable(5.0)
    assert not one.usable(5.1)


@pytest.mark.parametrize("how", ["invalid", "gone"])
def test_invalid_or_gone_goes_to_fallback(how: str) -> None:
    """An invalid state, or a service that is gone: fallback after the own delay, and back the same way."""
    one = controller(fallback_w=300.0)
    told(one, 1500, 0.0)
    one.step(0.0)
    assert one.step(10.0) == 1500.0
    if how == "invalid":
        told(one, 0, 11.0, BAD)
    else:
        one.heard_service(b'{"state":"gone"}')
    one.step(11.0)
    assert one.step(16.0) == 300.0
    one.heard_service(b'{"state":"live"}')
    told(one, 1500, 20.0)
    assert one.step(20.0) == 300.0
    assert one.step(25.0) == 1500.0


def test_a_short_interruption_changes_nothing() -> None:
    """Invalid for less than the own delay: the load goes on, at what /plain says, which is 0."""
    one = controller()
    told(one, 1500, 0.0)
    one.step(0.0)
    one.step(10.0)
    told(one, 0, 11.0, BAD)
    assert one.step(11.0) == 0.0
    told(one, 1500, 13.0)
    assert one.step(13.0) == 1500.0


def test_minimum_times_are_its_own() -> None:
    """Off only after the minimum on time, on only after the minimum off time."""
    one = controller(least_w=1500.0, min_on_s=60.0, min_off_s=30.0)
    told(one, 1500, 0.0)
    one.step(0.0)
    assert one.step(5.0) == 1500.0
    told(one, 0, 10.0)
    assert one.step(10.0) == one.step(64.0) == 1500.0
    assert one.step(66.0) == 0.0
    told(one, 1500, 67.0)
    assert one.step(67.0) == 0.0
    assert one.step(97.0) == 1500.0


def test_less_than_its_least_power_is_off() -> None:
    """A share below what an on/off load needs is no half load."""
    one = controller(least_w=1500.0)
    told(one, 1499, 0.0)
    one.step(0.0)
    assert one.step(10.0) == 0.0


@pytest.mark.parametrize("payload", [b"", b"NaN", b"inf", b"-5", b"on", b"1e30", b"\xff"])
def test_nonsense_is_as_good_as_nothing(payload: bytes) -> None:
    """What is no number of watts leaves the share and its validity as they were."""
    one = controller()
    told(one, 1500, 0.0)
    one.heard_share(payload, None, 50.0)
    assert not one.usable(61.0)
    one.heard_pack(payload)
    one.heard_service(payload)
    one.heard_pack(json.dumps({"vs": 1}).encode())
    assert one.usable(10.0)


def test_delays_are_spread() -> None:
    """Hundred controllers have hundred delays, spread over the whole span."""
    delays = sorted(Controller(1.0, chance=random.Random(i)).own_delay_s for i in range(100))
    assert len(set(delays)) == 100
    assert delays[10] < 6
    assert delays[90] > 24
