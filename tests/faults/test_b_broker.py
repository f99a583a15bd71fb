"""Faults of the broker and the way there (B1 to B19), with a real broker killed, frozen, flooded and lied to."""

import json
import socket
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import replace
from pathlib import Path

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from meterd.adapters.mqtt.client import Link
from meterd.adapters.mqtt.link_state import LinkCounters, LinkState
from meterd.adapters.mqtt.settings import LinkSettings
from meterd.adapters.sources import mqtt as mqtt_source
from meterd.adapters.sources.mqtt import MqttSource
from meterd.adapters.sources.payloads import decode
from meterd.adapters.store.journal import SqliteStore
from meterd.app.daemon.source_monitor import SourceMonitor
from meterd.core.model.periods import Period
from meterd.core.model.reading import IMPORT
from meterd.core.topics.message import parse_service
from tests.brokers import Mosquitto, crowd, until
from tests.faults.mill import (
    MAY,
    QUARTER,
    Child,
    StoreInFolder,
    as_readings,
    interval_energies,
    message,
    minutes,
    now_ms,
    open_findings,
    publish,
    reading_count,
    running,
    sending,
    site,
    stored_figures,
    write_plan,
)

pytestmark = pytest.mark.slow
BROKER = "max_queued_messages 0\nmax_inflight_messages 0\n"
ROOT = "energy/mill"
QUICK = "publish_every_s = 4"


@pytest.fixture
def broker() -> Iterator[Mosquitto]:
    with Mosquitto(BROKER) as item:
        yield item


@contextmanager
def hearing(broker: Mosquitto, topic: str = f"{ROOT}/#") -> Iterator[dict[str, list[bytes]]]:
    """Every payload of a topic filter, in order of arrival."""
    seen: dict[str, list[bytes]] = {}
    client = paho.Client(CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5)
    client.on_connect = lambda c, *_: c.subscribe(topic, qos=1)
    client.on_message = lambda _c, _u, m: seen.setdefault(m.topic, []).append(bytes(m.payload))
    client.connect("127.0.0.1", broker.port)
    client.loop_start()
    try:
        yield seen
    finally:
        client.disconnect()
        client.loop_stop()


def live(*points: str, power: float = 1000.0, wh: float = 5_000.0) -> list[tuple[str, bytes]]:
    """What meters send now."""
    at = now_ms()
    return [(f"m/{point}", message(at, **{"import": wh, "power": power})) for point in points]


def power_of(seen: dict[str, list[bytes]], point: str) -> float | None:
    """The newest published power of a point."""
    packs = seen.get(f"{ROOT}/point/{point}/power")
    if not packs:
        return None
    records = json.loads(packs[-1])
    return next((r["v"] for r in records if "v" in r), None)


def test_b1_a_killed_broker_is_found_again_with_subscriptions_values_and_catalogue(tmp_path: Path) -> None:
    with Mosquitto(BROKER, persistent=False) as broker:
        store = tmp_path / "s.sqlite"
        with running(site(broker.port), store) as here, sending(broker.port) as out:
            assert until(lambda: here.daemon.published() > 20)
            publish(out, live("q01"))
            assert until(lambda: reading_count(store) == 2)
            broker.restart()  # without persistence: it has forgotten sessions and retained values
            assert until(out.connected)

            def taken() -> bool:
                publish(out, live("q01", wh=5_001))
                return reading_count(store) > 3

            assert until(taken)
            begun = time.monotonic()
            with hearing(broker) as seen:
                assert until(lambda: f"{ROOT}/catalogue" in seen and len(seen) > 34, 12)
            assert time.monotonic() - begun < 12 * crowd()
            assert parse_service(seen[f"{ROOT}/service"][-1]) is not None


def test_b2_b3_what_a_full_broker_dropped_is_healed_by_the_next_register(tmp_path: Path) -> None:
    """1,500 messages while the daemon is away and room for 100: the newest are lost, the energy is not."""
    with Mosquitto("max_queued_messages 100\nmax_inflight_messages 20\n") as broker:
        plan, store = site(broker.port), tmp_path / "s.sqlite"
        with running(plan, store) as here:
            assert until(lambda: here.daemon.published() > 20)
        sent = [("m/q01", message(now_ms() - 3_600_000 + 1_000 * i, **{"import": 100 + i})) for i in range(1500)]
        with sending(broker.port) as out:
            assert until(out.connected)
            publish(out, sent)
            with running(plan, store):
                assert until(lambda: reading_count(store) >= 100)
                time.sleep(0.3)
                publish(out, [("m/q01", message(now_ms() - 1000, **{"import": 3_700}))])
                assert until(lambda: latest(store) == 3_700_000)
        assert reading_count(store) < 1500
        folder_store = StoreInFolder(tmp_path, plan)
        folder_store.feed([], now_ms() + 2 * QUARTER)
        first = now_ms() - 3_600_000
        energies = interval_energies(folder_store.store, ("q01", IMPORT), first - first % QUARTER, 6)
        folder_store.close()
        known = sum(e for e in energies[1:] if e is not None)
        assert known > 2_000_000, energies  # the shape is estimated, the sum is that of the register


def latest(store: Path) -> float | None:
    """The newest register of q01 in the journal."""
    stored = SqliteStore.reader(store)
    try:
        results = stored.latest(("q01", IMPORT))
        return None if results is None else results[1]
    finally:
        stored.close()


def test_b2_a_daemon_without_its_broker_goes_on_and_stays_small(tmp_path: Path, broker: Mosquitto) -> None:
    plan, store = site(broker.port, limits=QUICK), tmp_path / "s.sqlite"
    with running(plan, store) as here:
        assert until(lambda: here.daemon.published() > 20)
        broker.kill()
        assert here.has("broker-silent-mill")
        before = here.daemon.counters.snapshots
        assert until(lambda: here.daemon.counters.snapshots > before + 2)
        broker.start()
        assert until(lambda: "broker-silent-mill" not in here.findings())


def test_b4_a_message_that_comes_twice_counts_once(tmp_path: Path, broker: Mosquitto) -> None:
    plan, store = site(broker.port), tmp_path / "s.sqlite"
    with running(plan, store) as here, sending(broker.port) as out:
        assert until(lambda: here.daemon.published() > 20)
        publish(out, live("q01", "q02", "q03") * 3)
        publish(
            out, [("m/q01", message(now_ms() + 1, **{"import": 5_001.0}))]
        )  # behind the repeats, so that they are through
        assert until(lambda: reading_count(store) >= 7)
        assert reading_count(store) == 7


def test_b5_late_readings_are_put_at_their_own_time_and_reopen_what_was_closed(tmp_path: Path) -> None:
    sent = as_readings(minutes(3 * 60))
    late, punctual = sent[200:400], sent[:200] + sent[400:]
    folders = [tmp_path / name for name in ("whole", "late")]
    for folder, batches in zip(folders, ([sent], [punctual, late[::-1]]), strict=True):
        folder.mkdir()
        folder_store = StoreInFolder(folder, name="b.sqlite")
        for i, batch in enumerate(batches):
            folder_store.feed(batch, MAY + 4 * 3_600_000 + i * 2 * 86_400_000)  # the rest comes two days late
        folder_store.feed([], MAY + 3 * 86_400_000)
        versions = folder_store.store.versions(("q01", IMPORT), Period.INTERVAL, MAY + 2 * QUARTER)
        folder_store.close()
    assert stored_figures(folders[0] / "b.sqlite") == stored_figures(folders[1] / "b.sqlite")
    assert versions[-1].reason == "late readings"


def test_b6_an_old_retained_power_is_never_taken_for_now(tmp_path: Path, broker: Mosquitto) -> None:
    with sending(broker.port) as out:
        assert until(out.connected)
        for topic, payload in live("t1", "roof", power=5_000.0):
            assert out.publish(topic, payload, retain=True)
        assert until(lambda: out.unacknowledged() == 0)
        with running(site(broker.port), tmp_path / "s.sqlite") as here:
            assert until(lambda: here.daemon.counters.readings >= 2)
            assert until(lambda: here.daemon.snapshot is not None and here.daemon.snapshot.instant)
            shot = here.daemon.snapshot
            assert shot is not None
            assert shot.instant["roof", "16.7.0"].old
            assert (shot.draw.power_w, shot.surplus.power_w) == (None, None)
            publish(out, live("t1", power=-2_000.0) + live("roof", power=9_000.0))
            assert until(lambda: here.daemon.snapshot.draw.power_w == -2_000.0)  # type: ignore[union-attr]


def test_b7_after_a_kill_the_broker_says_gone_and_values_carry_their_validity(
    tmp_path: Path, broker: Mosquitto
) -> None:
    plan = write_plan(tmp_path / "plan", broker.port, limits=QUICK)
    with hearing(broker) as seen, Child(plan, tmp_path / "s.sqlite") as child:
        assert until(lambda: f"{ROOT}/pv/surplus" in seen, 30), child.said()
        pack = json.loads(seen[f"{ROOT}/pv/surplus"][-1])
        assert any("ut" in record for record in pack)
        child.kill()

        def gone() -> bool:
            service = parse_service(seen[f"{ROOT}/service"][-1])
            return service is not None and not service.live

        assert until(gone)


def test_b8_two_daemons_with_one_client_id_are_reported(tmp_path: Path, broker: Mosquitto) -> None:
    first, second = (site(broker.port, limits=QUICK) for _ in range(2))
    with running(first, tmp_path / "a.sqlite") as a:
        assert until(lambda: a.daemon.published() > 20)
        with running(second, tmp_path / "b.sqlite") as b:
            assert b.has("second-publisher-mill")
            assert b.has("client-id-twice-meters", 40)
            assert "give this one its own client_id" in b.findings()["client-id-twice-meters"].remedy
            assert until(lambda: "does not read" in b.findings()["client-id-twice-meters"].text)
            assert b.daemon.published() == 0
        with sending(broker.port) as out:
            publish(out, live("q01"))
            assert until(lambda: reading_count(tmp_path / "a.sqlite") >= 2, 40)


def test_b9_a_second_daemon_of_a_site_stays_passive_and_takes_over_when_the_first_ends(
    tmp_path: Path, broker: Mosquitto
) -> None:
    first = site(broker.port, limits=QUICK)
    second = site(broker.port, limits=QUICK, options=', client_id = "spare"')
    with running(second, tmp_path / "b.sqlite") as b:
        with running(first, tmp_path / "a.sqlite") as a:
            assert until(lambda: a.daemon.published() + b.daemon.published() > 34)
            both = {id(here) for here in (a, b) if here.has("second-publisher-mill", 3)}
            assert len(both) == 1
        before = b.daemon.published()
        assert until(lambda: b.daemon.published() > before)


def test_b10_a_frozen_broker_is_reported_within_two_heartbeats(tmp_path: Path, broker: Mosquitto) -> None:
    with running(site(broker.port, limits=QUICK), tmp_path / "s.sqlite") as here:
        assert until(lambda: here.daemon.published() > 34)
        time.sleep(1)
        broker.freeze()
        try:
            assert here.has("broker-silent-mill", 8)
        finally:
            broker.thaw()
        assert until(lambda: "broker-silent-mill" not in here.findings())


def test_b11_b13_nonsense_payloads_are_counted_and_the_next_value_is_used(tmp_path: Path, broker: Mosquitto) -> None:
    nonsense = [b"\xff\xfe\x00", b"\xef\xbb\xbf{}", b"{}{}", b'{"import": 1} x', b"x" * 1_000_000, b"[" * 50_000]
    store = tmp_path / "s.sqlite"
    with running(site(broker.port), store) as here, sending(broker.port) as out:
        assert until(lambda: here.daemon.published() > 20)
        assert out.clear("m/q01")
        publish(out, [("m/q01", payload) for payload in nonsense])
        publish(out, live("q01"))
        assert until(lambda: reading_count(store) == 2)
        assert until(lambda: any(n.startswith("refused") and n.endswith("q01") for n in here.findings()))
        assert here.daemon.counters.failures == 0


def test_b12_nothing_empty_and_no_nan_is_ever_published(tmp_path: Path, broker: Mosquitto) -> None:
    """With no meter at all every value is invalid: each payload is still a pack, and each plain one a number or absent."""
    with hearing(broker) as seen, running(site(broker.port), tmp_path / "s.sqlite") as here:
        assert until(lambda: here.daemon.published() > 34)
        time.sleep(0.5)
        assert len(seen) > 30
        for topic, payloads in seen.items():
            for payload in payloads:
                assert payload, topic
                assert b"NaN" not in payload
                assert b"null" not in payload or not topic.endswith("/plain")
                if topic.endswith("/plain"):
                    float(payload)


def test_b14_an_exception_in_decoding_ends_no_thread(
    tmp_path: Path, broker: Mosquitto, monkeypatch: pytest.MonkeyPatch
) -> None:
    sound = decode

    def breaking(group: object, payload: bytes, *rest: object) -> object:
        if payload == b"poison":
            raise ZeroDivisionError("injected")
        return sound(group, payload, *rest)  # type: ignore[arg-type]

    monkeypatch.setattr(mqtt_source, "decode", breaking)
    store = tmp_path / "s.sqlite"
    with running(site(broker.port), store) as here, sending(broker.port) as out:
        assert until(lambda: here.daemon.published() > 20)
        publish(out, [("m/q01", b"poison"), *live("q01")])
        assert until(lambda: reading_count(store) == 2)
        assert until(lambda: any("could not be decoded: ZeroDivisionError" in f.text for f in here.findings().values()))


def test_b16_a_wild_publisher_does_not_crowd_out_the_meters(tmp_path: Path, broker: Mosquitto) -> None:
    """2,000 messages on unknown topics and 2,000 on a known one in about two seconds: the others' values all come through."""
    store = tmp_path / "s.sqlite"
    with (
        running(site(broker.port), store) as here,
        sending(broker.port) as out,
        sending(broker.port, name="wild") as wild,
    ):
        assert until(lambda: here.daemon.published() > 20 and wild.connected() and out.connected())
        base = now_ms() - 60_000
        for i in range(2000):
            wild.publish(f"unknown/{i % 50}", b"x" * 100, qos=0)
            wild.publish("m/q03", b'{"import": nonsense}', qos=0)
            if i % 20 == 0:
                publish(out, [("m/q01", message(base + i * 10, **{"import": 100 + i / 10}))])
        assert until(lambda: reading_count(store) == 100)
        assert here.daemon.counters.failures == 0
        assert until(lambda: any(n.startswith("refused") and n.endswith("q03") for n in here.findings()))


def test_b17_many_controllers_at_once_get_the_retained_set_without_asking_the_daemon(
    tmp_path: Path, broker: Mosquitto
) -> None:
    with running(site(broker.port), tmp_path / "s.sqlite") as here:
        assert until(lambda: here.daemon.published() > 34)
        time.sleep(1)
        before = here.daemon.published()
        with ExitStack() as crowd:
            all_seen = [crowd.enter_context(hearing(broker, f"{ROOT}/pv/#")) for _ in range(120)]
            assert until(lambda: all(f"{ROOT}/pv/surplus" in seen for seen in all_seen))
        assert here.daemon.published() - before < 60  # heartbeats only


class Quiet(MqttSource):
    """A source that was never started, with a connection in a given state."""

    def __init__(self, state: LinkState) -> None:
        plan = site()
        super().__init__(plan.sources[0], plan)
        self._state = state

    def state(self) -> LinkState:
        """As given."""
        return self._state


def test_b15_b18_refused_subscriptions_and_ending_certificates_are_reported() -> None:
    state = LinkState(
        True, False, True, 0, (("m/q01", "Not authorized"),), "", now_ms() / 1000 + 10 * 86_400, LinkCounters()
    )
    monitor = SourceMonitor("meters", lambda: Quiet(state))
    findings = {finding.id: finding for finding in monitor.tick(now_ms())}
    assert "m/q01: Not authorized" in findings["subscription-refused-meters"].text
    assert "renew it before that day" in findings["certificate-meters"].remedy
    later = replace(state, refused_topics=(), certificate_until_s=now_ms() / 1000 + 40 * 86_400)
    assert SourceMonitor("meters", lambda: Quiet(later)).tick(now_ms()) == []


def test_b18_a_changed_password_is_reported_and_the_journal_stays(tmp_path: Path, broker: Mosquitto) -> None:
    plan, store = site(broker.port, limits=QUICK), tmp_path / "s.sqlite"
    with running(plan, store) as here:
        assert until(lambda: here.daemon.published() > 20)
        with sending(broker.port) as out:
            publish(out, live("q01"))
        assert until(lambda: reading_count(store) == 2)
        broker.kill()
        broker._config = BROKER + "allow_anonymous false\n"
        broker.start()
        assert until(
            lambda: any(
                "authori" in finding.text.lower() or "refused" in finding.text for finding in here.findings().values()
            ),
            30,
        ), here.findings()
        broker.kill()
        broker._config = BROKER
        broker.start()
        assert until(lambda: not any("broker-silent" in finding.id for finding in here.findings().values()), 40)
        assert reading_count(store) == 2
        with sending(broker.port) as out:
            publish(out, live("q02"))
        assert until(lambda: reading_count(store) == 4)


def test_b18_a_broker_that_moved_is_found_again_by_its_name(monkeypatch: pytest.MonkeyPatch) -> None:
    """The name is looked up at every attempt; the other broker has the same port at another address of this machine."""
    home = {"broker.mill.example": "127.0.0.1"}
    look_up = socket.getaddrinfo
    monkeypatch.setattr(
        socket, "getaddrinfo", lambda host, *more, **named: look_up(home.get(host, host), *more, **named)
    )
    with (
        Mosquitto() as old,
        Mosquitto(listener=f"listener {old.port} 127.0.0.2"),
        Link(LinkSettings("mover", host="broker.mill.example", port=old.port, session_expiry_s=0)) as link,
    ):
        assert until(link.connected)
        home["broker.mill.example"] = "127.0.0.2"
        old.kill()
        assert until(lambda: link.state().counters.connects == 2 and link.connected())


def test_b19_meters_without_controllers_are_read_and_the_newest_is_reported_on_return(tmp_path: Path) -> None:
    with Mosquitto(BROKER) as inside, Mosquitto(BROKER) as outside:
        store = tmp_path / "s.sqlite"
        # a busy machine may take minutes until the daemon is back: the newest power still counts then
        limits, options = "power_max_age_s = 600", f', host = "127.0.0.1", port = {inside.port}'
        plan = site(outside.port, limits=limits, options=options)
        with running(plan, store) as here, sending(inside.port) as out:
            assert until(lambda: here.daemon.published() > 20)
            outside.kill()
            for i in range(20):  # each beyond the dead band of the one before
                publish(out, live("q01", power=1_000.0 * i, wh=5_000 + i))
            assert until(lambda: reading_count(store) == 40)
            outside.start()
            with hearing(outside) as seen:
                assert until(lambda: power_of(seen, "q01") == 19_000.0)
        assert set(open_findings(store)) & {"store-mill"} == set()
