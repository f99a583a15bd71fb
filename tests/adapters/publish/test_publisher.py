"""The publisher says what is true and no more: in every loss of network, broker, plan or partner. In-process network."""

from collections.abc import Callable
from dataclasses import dataclass, field, replace

from meterd.adapters.publish.publisher import Publisher
from meterd.core.errors import PublishError
from meterd.core.model.finding import Finding
from meterd.core.model.plan import Site
from meterd.core.model.reading import Quality
from meterd.core.topics.message import parse, parse_service
from meterd.core.topics.table import Snapshot, SurplusNow, catalogue
from tests.adapters.publish.network import Network, fill
from tests.snapshots import NOW_MS, POINTS, site, snapshot

PLAN = site()
ROOT = "energy/mill"


@dataclass
class Scene:
    """Publishers on one network with one clock for all."""

    network: Network = field(default_factory=Network)
    clock_s: float = 1000.0
    publishers: list[Publisher] = field(default_factory=list)
    plan: Site = PLAN
    change: Callable[[Snapshot], Snapshot] = lambda picture: picture

    def publisher(self, instance: str) -> Publisher:
        """One more daemon of the site."""
        new = Publisher(self.plan, self.network.open, instance=instance, version="0.1.0", clock=lambda: self.clock_s)
        self.publishers.append(new)
        return new

    def run(self, seconds: float, step_s: float = 1.0) -> None:
        """Offer a fresh snapshot to everybody every step."""
        until_s = self.clock_s + seconds
        while self.clock_s < until_s:
            for publisher in self.publishers:
                publisher.offer(self.change(snapshot(self.plan, self.now_ms)))
            self.clock_s += step_s

    @property
    def now_ms(self) -> int:
        return NOW_MS + round((self.clock_s - 1000.0) * 1000)

    def since(self, mark: int) -> list[str]:
        """Topics of values taken since the mark."""
        return [topic for topic, _ in self.network.taken[mark:] if topic.count("/") > 2]


def started(instance: str = "a") -> tuple[Scene, Publisher]:
    """A scene with one active publisher."""
    scene = Scene()
    publisher = scene.publisher(instance)
    scene.run(5)
    assert publisher.active
    return scene, publisher


def expected(plan: Site = PLAN) -> set[str]:
    """Every topic that must be there while all values are good."""
    values = {topic for entry in catalogue(plan) for topic in entry.topics}
    return values | {f"{ROOT}/service", f"{ROOT}/catalogue", f"{ROOT}/display"}


def test_the_full_set_is_retained_soon_after_the_start() -> None:
    scene, publisher = started()
    assert scene.network.retained.keys() == expected()
    assert publisher.epoch == 1
    assert publisher.counters.full_sets == 1
    assert publisher.findings() == ()


def test_sequence_numbers_grow_with_every_pack() -> None:
    scene, publisher = started()
    scene.run(60)
    numbers = [parse(payload).sequence for topic, payload in scene.network.taken if is_pack(topic)]
    assert numbers == sorted(set(numbers))
    assert publisher.sequence == numbers[-1]


def is_pack(topic: str) -> bool:
    return topic.count("/") > 2 and not topic.endswith(("/plain", "/time")) and "/finding/" not in topic


def test_nothing_new_is_sent_only_as_heartbeat() -> None:
    scene, publisher = started()
    mark = len(scene.network.taken)
    still = snapshot(PLAN, scene.now_ms)
    for _ in range(10):
        scene.clock_s += 1
        publisher.offer(still)
    assert scene.since(mark) == []
    scene.run(31)
    assert set(scene.since(mark)) == expected() - {f"{ROOT}/service", f"{ROOT}/catalogue", f"{ROOT}/display"}


def test_invalid_surplus_goes_out_at_once_with_zero_on_plain() -> None:
    scene, _ = started()
    lost = SurplusNow(None, NOW_MS, Quality.INVALID, "none", "PV meter is stale")
    scene.change = lambda picture: replace(picture, surplus=lost)
    scene.run(1)
    assert parse(scene.network.retained[f"{ROOT}/pv/surplus"]).state is Quality.INVALID
    assert scene.network.retained[f"{ROOT}/pv/surplus/plain"] == b"0"


def test_invalid_without_fallback_leaves_plain_alone() -> None:
    scene, _ = started()
    scene.change = lambda picture: replace(picture, instant={})
    mark = len(scene.network.taken)
    scene.run(35)
    topics = scene.since(mark)
    assert f"{ROOT}/point/q01/power" in topics
    assert f"{ROOT}/point/q01/power/plain" not in topics
    assert all(payload for _, payload in scene.network.taken)


def test_a_broker_that_lost_everything_has_the_full_set_back_within_ten_seconds() -> None:
    # faults B1
    scene, publisher = started()
    scene.network.restart()
    assert scene.network.retained == {}
    scene.run(10)
    assert scene.network.retained.keys() == expected()
    assert publisher.counters.full_sets == 2


def test_nothing_is_queued_while_the_broker_is_away_and_the_newest_is_sent_on_return() -> None:
    # faults B19
    scene, _ = started()
    scene.network.lines[-1].up = False
    mark = len(scene.network.taken)
    scene.change = lambda picture: replace(
        picture, draw=replace(picture.draw, power_w=scene.clock_s, at_ms=scene.now_ms)
    )
    scene.run(20)
    assert len(scene.network.taken) == mark
    scene.network.join(scene.network.lines[-1])
    scene.run(3)
    draws = [parse(payload).value for topic, payload in scene.network.taken[mark:] if topic == f"{ROOT}/site/draw"]
    assert draws[0] is not None
    assert draws[0] >= 1025.0


def test_a_full_link_is_tried_again_with_the_next_snapshot() -> None:
    scene = Scene(Network(full_after=20))
    publisher = scene.publisher("a")
    scene.run(5)
    assert publisher.counters.turned_away
    scene.network.full_after = None
    scene.run(2)
    assert scene.network.retained.keys() == expected()


def test_a_second_daemon_stays_passive_and_says_so() -> None:
    # faults B9
    scene, first = started("a")
    second = scene.publisher("b")
    scene.run(120)
    assert (first.active, second.active) == (True, False)
    assert [finding.cause for finding in second.findings()] == ["second-publisher"]
    assert "instance a" in second.findings()[0].text
    assert second.counters.published == 0
    assert scene.network.lines[-1].order.will is None  # its death must not say gone for the other


def test_the_second_takes_over_when_the_first_dies_and_numbers_go_on() -> None:
    scene, first = started("a")
    second = scene.publisher("b")
    scene.run(60)
    dead_at = first.sequence
    scene.publishers.remove(first)
    scene.network.cut(scene.network.lines[1])
    service = parse_service(scene.network.retained[f"{ROOT}/service"])
    assert service is not None
    assert (service.live, service.epoch, service.instance) == (False, 1, "a")
    scene.run(5)
    assert second.active
    assert (second.epoch, second.findings()) == (2, ())
    assert parse(scene.network.retained[f"{ROOT}/pv/surplus"]).sequence > dead_at


def test_a_silent_first_is_followed_after_its_lease() -> None:
    # killed together with its broker connection, no will: only the missing heartbeats tell
    scene, first = started("a")
    second = scene.publisher("b")
    scene.run(31)
    scene.publishers.remove(first)
    scene.run(55)
    assert not second.active
    scene.run(45)
    assert second.active


def test_a_clean_end_says_gone_and_is_followed_at_once() -> None:
    scene, first = started("a")
    second = scene.publisher("b")
    scene.run(5)
    scene.publishers.remove(first)
    first.close()
    scene.run(4)
    assert second.active
    second.close()
    service = parse_service(scene.network.retained[f"{ROOT}/service"])
    assert service is not None
    assert (service.live, service.epoch, service.heartbeat_ms) == (False, 2, None)


def test_after_a_split_the_lower_epoch_steps_down() -> None:
    scene, first = started("a")
    second = scene.publisher("b")
    scene.run(5)
    line = scene.network.lines[1]
    scene.network.cut(line)  # the broker takes the first for dead, but it lives
    scene.run(10)
    assert (first.active, second.active) == (True, True)
    scene.network.join(line)
    scene.run(10)
    assert (first.active, second.active) == (False, True)
    assert first.counters.step_downs == 1
    assert scene.network.retained.keys() == expected()
    service = parse_service(scene.network.retained[f"{ROOT}/service"])
    assert service is not None
    assert (service.live, service.instance) == (True, "b")


def test_two_that_start_together_end_with_one() -> None:
    scene = Scene()
    publishers = [scene.publisher(name) for name in ("b", "a", "c")]
    scene.run(60)
    assert sum(publisher.active for publisher in publishers) == 1


def test_a_foreign_word_on_the_service_topic_is_corrected() -> None:
    scene, _ = started()
    scene.network.take(f"{ROOT}/service", b"hello", True)
    scene.run(2)
    service = parse_service(scene.network.retained[f"{ROOT}/service"])
    assert service is not None
    assert service.live


def test_a_will_that_comes_after_our_return_is_corrected() -> None:
    # found by reading MQTT 5, 3.1.2.5: the will goes out when the broker notices, which may be after the reconnect
    scene, _ = started()
    will = scene.network.lines[-1].order.will
    assert will is not None
    scene.network.take(will.topic, will.payload, True)
    scene.run(2)
    service = parse_service(scene.network.retained[f"{ROOT}/service"])
    assert service is not None
    assert service.live


def test_a_frozen_broker_is_reported_within_two_heartbeat_periods() -> None:
    # faults B10: frozen directly after a heartbeat; the period is 30 s
    scene, publisher = started()
    beats = publisher.counters.heartbeats
    while publisher.counters.heartbeats == beats:
        scene.run(1)
    scene.run(2)
    scene.network.freezing = True
    scene.run(40)
    assert publisher.findings() == ()
    scene.run(15)
    assert [finding.cause for finding in publisher.findings()] == ["broker-silent"]
    scene.network.thaw()
    scene.run(2)
    assert publisher.findings() == ()


def test_a_broker_that_is_away_is_reported() -> None:
    scene = Scene(Network(down=True))
    publisher = scene.publisher("a")
    scene.run(17)
    assert [finding.cause for finding in publisher.findings()] == ["broker-silent"]
    assert "no connection" in publisher.findings()[0].text
    assert scene.network.lines[0].revived == 17


def test_a_clock_that_was_never_set_publishes_nothing() -> None:
    scene = Scene()
    publisher = scene.publisher("a")
    for _ in range(5):
        scene.clock_s += 1
        publisher.offer(snapshot(PLAN, 60_000))
    assert scene.network.taken == []
    assert [finding.cause for finding in publisher.findings()] == ["clock-not-set"]
    scene.run(5)
    assert publisher.findings() == ()


def stale(subject: str) -> Finding:
    return Finding("stale", subject, NOW_MS, f"{subject} has been silent for 10 min", "look at the meter", (subject,))


def test_findings_come_renew_and_go() -> None:
    scene, _ = started()
    scene.change = lambda picture: replace(picture, findings=(stale("q01"), stale("pv1")))
    scene.run(2)
    assert {f"{ROOT}/finding/stale-q01", f"{ROOT}/finding/stale-pv1"} <= scene.network.retained.keys()
    mark = len(scene.network.taken)
    scene.run(31)
    assert any(topic.endswith("/finding/stale-q01") for topic, _ in scene.network.taken[mark:])
    scene.change = lambda picture: replace(picture, findings=(stale("pv1"),))
    scene.run(2)
    assert [topic for topic in scene.network.retained if "/finding/" in topic] == [f"{ROOT}/finding/stale-pv1"]


def test_findings_of_an_earlier_run_are_removed() -> None:
    scene = Scene(Network({f"{ROOT}/finding/stale-q09": b"{}"}))
    scene.publisher("a")
    scene.run(5)
    assert f"{ROOT}/finding/stale-q09" not in scene.network.retained


def test_more_findings_than_the_limit_are_counted() -> None:
    scene, publisher = started()
    scene.change = lambda picture: replace(picture, findings=tuple(stale(f"q{n}") for n in range(1002)))
    scene.run(1)
    assert publisher.counters.findings_beyond_limit == 2
    assert sum("/finding/" in topic for topic in scene.network.retained) == 1000


def test_topics_of_an_earlier_plan_are_cleared_and_nothing_else() -> None:
    scene, first = started()
    first.close()
    scene.network.retained["elsewhere/x"] = scene.network.retained[f"{ROOT}/site/note"] = b"1"
    smaller = Scene(scene.network, plan=site(points=POINTS[:3]))
    second = smaller.publisher("b")
    smaller.run(6)
    stored = expected(smaller.plan) | {"elsewhere/x", f"{ROOT}/site/note"}
    assert scene.network.retained.keys() == stored
    assert second.counters.cleared == len(expected() - expected(smaller.plan))


def test_a_reloaded_plan_replaces_the_topics() -> None:
    scene, publisher = started()
    scene.plan = site(("1.8.0",))
    scene.run(3)
    assert scene.network.retained.keys() == expected(scene.plan)
    assert publisher.epoch == 1


def test_a_message_the_broker_can_never_take_is_reported_and_the_rest_goes_on() -> None:
    scene = Scene()

    class Narrow(Network):
        def take(self, topic: str, payload: bytes, retain: bool) -> bool:
            if topic.endswith("/catalogue"):
                raise PublishError(f"cannot publish {topic}: too long")
            return super().take(topic, payload, retain)

    scene.network = Narrow()
    publisher = scene.publisher("a")
    scene.run(6)
    assert [finding.cause for finding in publisher.findings()] == ["publish-refused"]
    assert scene.network.retained.keys() == expected() - {f"{ROOT}/catalogue"}


def test_noise_on_our_topics_is_harmless_and_acknowledged() -> None:
    scene, publisher = started()
    line = scene.network.lines[-1]
    before = line.acked
    for topic in ("service", "catalogue", "finding/x"):
        for payload in (b"", b"\xff\x00", b"[" * 10_000, b'{"values":[{"pattern":"#","names":["a"]}]}'):
            fill(line.order.inbox, f"{ROOT}/{topic}", payload)
    scene.run(3)
    assert line.acked >= before + 12
    assert publisher.active
    assert expected() <= scene.network.retained.keys()
