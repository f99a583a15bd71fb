"""The reference controller: follows while its share is valid, goes to its fallback after its own random delay."""

import json
import random

import pytest

from meterd.adapters.simulator.controller import Controller

GOOD = b'[{"bn":"energy/mill/share/me","bt":1780000000,"u":"W","v":1500,"ut":60},{"n":":state","vs":"good"}]'
BAD = b'[{"bn":"energy/mill/share/me","bt":1780000000,"n":":state","vs":"invalid","ut":60}]'


def controller(**more: float) -> Controller:
    """A load of 1.5 kW whose own delay is 4.2 s (seed 1 of 0 to 30 s) unless said otherwise."""
    result = Controller(1500.0, chance=random.Random(1), **more)
    assert result.own_delay_s == pytest.approx(4.03, abs=0.01)
    return result


def told(item: Controller, share: float, now_s: float, pack: bytes = GOOD, left_s: float | None = None) -> None:
    """A share with its pack arrives."""
    item.heard_pack(pack)
    item.heard_share(str(share).encode(), left_s, now_s)


def test_follows_after_its_own_delay_and_obeys_at_once() -> None:
    """After a start it is in fallback; a share that stays valid for its delay is followed; a lower one then at once."""
    item = controller()
    told(item, 1500, 0.0)
    assert item.step(0.0) == item.step(4.0) == 0.0
    assert item.step(5.0) == 1500.0
    told(item, 700, 6.0)
    assert item.step(6.0) == 700.0
    told(item, 9000, 7.0)
    assert item.step(7.0) == 1500.0, "never more than it can take"


def test_a_value_older_than_ut_is_dead() -> None:
    """60 s after the last message the share is not used; its own delay later the fallback is taken."""
    item = controller(fallback_w=300.0)
    told(item, 1500, 0.0)
    item.step(0.0)
    assert item.step(10.0) == item.step(60.0) == 1500.0
    assert item.step(61.0) == 1500.0
    assert item.step(64.0) == 1500.0
    assert item.step(65.5) == 300.0


def test_what_the_broker_kept_is_valid_for_what_is_left() -> None:
    """A retained share with 5 s of expiry left: not used for a whole `ut` again."""
    item = controller()
    told(item, 1500, 0.0, left_s=5)
    assert item.usable(5.0)
    assert not item.usable(5.1)


@pytest.mark.parametrize("how", ["invalid", "gone"])
def test_invalid_or_gone_goes_to_fallback(how: str) -> None:
    """An invalid state, or a service that is gone: fallback after the own delay, and back the same way."""
    item = controller(fallback_w=300.0)
    told(item, 1500, 0.0)
    item.step(0.0)
    assert item.step(10.0) == 1500.0
    if how == "invalid":
        told(item, 0, 11.0, BAD)
    else:
        item.heard_service(b'{"state":"gone"}')
    item.step(11.0)
    assert item.step(16.0) == 300.0
    item.heard_service(b'{"state":"live"}')
    told(item, 1500, 20.0)
    assert item.step(20.0) == 300.0
    assert item.step(25.0) == 1500.0


def test_a_short_interruption_changes_nothing() -> None:
    """Invalid for less than the own delay: the load goes on, at what /plain says, which is 0."""
    item = controller()
    told(item, 1500, 0.0)
    item.step(0.0)
    item.step(10.0)
    told(item, 0, 11.0, BAD)
    assert item.step(11.0) == 0.0
    told(item, 1500, 13.0)
    assert item.step(13.0) == 1500.0


def test_minimum_times_are_its_own() -> None:
    """Off only after the minimum on time, on only after the minimum off time."""
    item = controller(least_w=1500.0, min_on_s=60.0, min_off_s=30.0)
    told(item, 1500, 0.0)
    item.step(0.0)
    assert item.step(5.0) == 1500.0
    told(item, 0, 10.0)
    assert item.step(10.0) == item.step(64.0) == 1500.0
    assert item.step(66.0) == 0.0
    told(item, 1500, 67.0)
    assert item.step(67.0) == 0.0
    assert item.step(97.0) == 1500.0


def test_less_than_its_least_power_is_off() -> None:
    """A share below what an on/off load needs is no half load."""
    item = controller(least_w=1500.0)
    told(item, 1499, 0.0)
    item.step(0.0)
    assert item.step(10.0) == 0.0


def test_a_full_tank_takes_nothing_of_its_share() -> None:
    """What it can take bounds what it takes, at once."""
    item = controller(can_take_w=700.0)
    told(item, 1500, 0.0)
    item.step(0.0)
    assert item.step(10.0) == 700.0
    item.can_take_w = 0.0
    assert item.step(11.0) == 0.0


@pytest.mark.parametrize("payload", [b"", b"NaN", b"inf", b"-5", b"on", b"1e30", b"\xff"])
def test_nonsense_is_as_good_as_nothing(payload: bytes) -> None:
    """What is no number of watts leaves the share and its validity as they were."""
    item = controller()
    told(item, 1500, 0.0)
    item.heard_share(payload, None, 50.0)
    assert not item.usable(61.0)
    item.heard_pack(payload)
    item.heard_service(payload)
    item.heard_pack(json.dumps({"vs": 1}).encode())
    assert item.usable(10.0)


def test_delays_are_spread() -> None:
    """Hundred controllers have hundred delays, spread over the whole span."""
    delays = sorted(Controller(1.0, chance=random.Random(i)).own_delay_s for i in range(100))
    assert len(set(delays)) == 100
    assert delays[10] < 6
    assert delays[90] > 24
