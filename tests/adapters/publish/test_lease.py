"""One publisher per site: the highest epoch, and of equal ones the first instance; a dead one is followed."""

import pytest

from meterd.adapters.publish.lease import NUMBERS_PER_MS, SEQUENCE_STEP, Lease
from meterd.core.topics.message import Service

NOW_MS = 1_790_000_000_000


def service(instance: str, epoch: int, *, live: bool = True, at_ms: int = NOW_MS, sequence: int = 5) -> Service:
    """A sign of life with a period of 30 s: the lease is 90 s."""
    return Service(live, instance, epoch, sequence, "0.1.0", at_ms if live else None, 30)


def test_nobody_heard_means_we_may() -> None:
    lease = Lease("b")
    assert lease.holder(0.0, NOW_MS) is None
    lease.take(NOW_MS)
    assert lease.epoch == 1


@pytest.mark.parametrize(
    ("retained", "age_s", "after_s", "held"),
    [
        (True, 89, 0, True),  # retained by the broker, younger than the lease
        (True, 91, 0, False),  # retained by the broker, dead
        (True, -89, 0, True),  # its clock is ahead of ours
        (False, 3600, 89, True),  # heard live although its clock is an hour slow
        (False, 3600, 90, False),
    ],
)
def test_a_rival_holds_for_three_heartbeats(retained: bool, age_s: int, after_s: int, held: bool) -> None:
    lease = Lease("b")
    lease.hear(service("a", 1, at_ms=NOW_MS - age_s * 1000), retained=retained, clock_s=100.0)
    assert (lease.holder(100.0 + after_s, NOW_MS) is not None) is held


def test_gone_frees_at_once_and_the_epoch_goes_on() -> None:
    lease = Lease("b")
    lease.hear(service("a", 7), retained=False, clock_s=0.0)
    lease.hear(service("a", 7, live=False), retained=False, clock_s=1.0)
    assert lease.holder(1.0, NOW_MS) is None
    lease.take(NOW_MS)
    assert lease.epoch == 8


@pytest.mark.parametrize(
    ("epoch", "instance", "held"), [(1, "a", False), (3, "a", True), (2, "a", True), (2, "c", False)]
)
def test_higher_epoch_wins_then_the_first_instance(epoch: int, instance: str, held: bool) -> None:
    lease = Lease("b", epoch=1)
    lease.take(NOW_MS)
    assert lease.epoch == 2
    lease.hear(service(instance, epoch), retained=False, clock_s=0.0)
    assert (lease.holder(0.0, NOW_MS) is not None) is held


def test_a_third_daemon_on_its_way_out_does_not_hide_the_publisher() -> None:
    lease = Lease("c")
    lease.hear(service("a", 5), retained=False, clock_s=0.0)
    lease.hear(service("b", 4, live=False), retained=False, clock_s=0.0)
    holder = lease.holder(0.0, NOW_MS)
    assert holder is not None
    assert holder.instance == "a"


def test_numbers_only_grow_whatever_the_last_will_remembered() -> None:
    heard = Lease("b", sequence=10**15)
    assert heard.take(NOW_MS) == 10**15 + SEQUENCE_STEP
    fresh = Lease("c")
    assert fresh.take(NOW_MS) == NOW_MS * NUMBERS_PER_MS


def test_released_is_passive() -> None:
    lease = Lease("a")
    lease.take(NOW_MS)
    lease.release()
    assert lease.epoch == 0
