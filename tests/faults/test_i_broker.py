"""The embedded broker as plain clients see it (I4), and what is reported of a broker that refuses us, restarts or has doubts."""

import itertools
import json
import os
import re
import shutil
import signal
import socket
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from meterd.adapters.mqtt.client import Link
from meterd.adapters.mqtt.embedded_broker import PROGRAM_VARIABLE, free_port
from meterd.adapters.planfile.loader import load_plan
from meterd.adapters.web.metrics import openmetrics
from meterd.core.model.health import ready
from meterd.core.topics.message import catalogue_topics
from tests.adapters.mqtt.plain import gathered
from tests.brokers import Mosquitto, program, until
from tests.docker.test_access import certificates
from tests.faults.mill import POINTS, Child, Here, message, now_ms, running, sending, site, write_plan
from tests.programs import Program

pytestmark = pytest.mark.slow
CONFIG = Path(__file__).parents[2] / "config"
KINDS = [{PROGRAM_VARIABLE: ""}, {PROGRAM_VARIABLE: program()}]
both_kinds = pytest.mark.parametrize("kind", KINDS, ids=["built-in", "mosquitto"])


def example(name: str, folder: Path, port: int) -> Path:
    """An example plan as it is shipped, but for its ports: those may be somebody's on this machine."""
    plan = folder / name
    if name.endswith(".toml"):
        text = (CONFIG / name).read_text(encoding="utf-8")
        changed = text.replace("embedded = true }", f"embedded = true, port = {port} }}")
        plan.write_text(changed, encoding="utf-8")
    else:
        shutil.copytree(CONFIG / name, plan)
        text = (plan / "site.toml").read_text(encoding="utf-8")
        changed = text.replace("port = 1883", f"port = {port}").replace("port = 8480", f"port = {free_port()}")
        (plan / "site.toml").write_text(changed, encoding="utf-8")
    assert changed != text
    return plan


def whole(root: str, least: int, seen: dict[str, bytes]) -> bool:
    """Whether a subscriber has the catalogue, every value that stands in it, and so many messages at least."""
    if f"{root}/catalogue" not in seen or len(seen) < least:
        return False
    values = {topic for topic in catalogue_topics(root, seen[f"{root}/catalogue"]) if not topic.endswith("/plain")}
    return len(values) > 40 and values <= set(seen)


def ask_all(port: int, root: str, least: int) -> None:
    """A subscriber of each version and QoS to everything; all must get all."""
    for version in (4, 5):
        for qos in (0, 1):
            seen = gathered(port, version, qos, f"{root}/#", lambda results: whole(root, least, results), 60)
            assert whole(root, least, seen), (version, qos, len(seen), f"{root}/catalogue" in seen)


def broker_of(pid: int) -> int:
    """The broker's child process of a daemon."""
    return next(item for item in children(pid) if b"broker_child" in Path(f"/proc/{item}/cmdline").read_bytes())


def children(pid: int) -> list[int]:
    """Processes that any thread of a process has started."""
    tasks = Path(f"/proc/{pid}/task").glob("*/children")
    return [int(word) for file in tasks for word in file.read_text(encoding="ascii").split()]


@both_kinds
@pytest.mark.parametrize(("name", "root"), [("small.toml", "energy/gate-works"), ("harrow-mill", "energy/harrow-mill")])
def test_i4_the_example_plans_serve_both_versions_all_they_retain_also_after_their_broker_was_killed(
    name: str, root: str, kind: dict[str, str], tmp_path: Path
) -> None:
    port = free_port()
    least = 45 if name == "small.toml" else 300
    with Child(example(name, tmp_path, port), tmp_path / "s.sqlite", "--verbose", env=kind) as child:
        assert until(lambda: "embedded broker on" in child.said(), 60), child.said()
        assert (kind[PROGRAM_VARIABLE] or "built-in") in child.said()
        ask_all(port, root, least)
        os.kill(broker_of(child.pid), signal.SIGKILL)
        assert until(lambda: "embedded broker started again" in child.said(), 60), child.said()
        ask_all(port, root, least)
        assert child.stop(30) == 0
    assert until(lambda: not answers(port)), "its broker is left behind"


@both_kinds
def test_i4_the_demo_serves_both_versions_all_it_retains(kind: dict[str, str], tmp_path: Path) -> None:
    port = free_port()
    texts = ["demo", "--days", "0", "--port", str(port), "--page-port", str(free_port())]
    demo = Program(texts, tmp_path / "demo.log", env=kind)
    try:
        assert until(lambda: answers(port), 120)
        ask_all(port, "energy/harrow-mill", 500)
    finally:
        demo.send_signal(signal.SIGINT)
        demo.wait(60)


def answers(port: int) -> bool:
    """Whether somebody listens."""
    try:
        with socket.create_connection(("127.0.0.1", port), timeout=0.5):
            return True
    except OSError:
        return False


# -- what the broker does not allow ------------------------------------------------------------------------------------

QUICK = "publish_every_s = 4"


def rules(folder: Path, text: str) -> str:
    """A line for the configuration of the broker with these access rules for everybody."""
    path = folder / "rules.acl"
    path.write_text(text, encoding="utf-8")
    return f"acl_file {path}\n"


def test_i13_publishes_that_are_refused_are_one_finding_and_a_figure_until_they_are_allowed(tmp_path: Path) -> None:
    """Found with a user that may write only `service`: PUBACK 135 for all else, and ready was ok."""
    allowed = "topic read #\ntopic write {}\n"
    with (
        Mosquitto(rules(tmp_path, allowed.format("energy/mill/service"))) as broker,
        running(site(broker.port, limits=QUICK), tmp_path / "s.sqlite") as here,
    ):
        assert here.has("publish-refused-mill", 60)
        finding = here.findings()["publish-refused-mill"]
        assert finding.text.startswith("the broker refuses ")
        assert "energy/mill/" in finding.text
        assert "Not authorized" in finding.text
        assert "energy/mill/" in finding.remedy
        assert until(lambda: here.daemon.health().link.refused_topics > 30)
        verdict = ready(here.daemon.health())
        assert not verdict.ok
        assert any("the broker refuses" in reason for reason in verdict.reasons)
        assert "meterd_refused_topics 0" not in openmetrics(here.daemon.health())
        assert not [name for name in here.findings() if name.startswith("broker-silent")]
        rules(tmp_path, allowed.format("energy/mill/#"))
        os.kill(broker.pid, signal.SIGHUP)
        assert until(lambda: "publish-refused-mill" not in here.findings(), 60)
        assert until(lambda: ready(here.daemon.health()).ok, 60)
        seen = gathered(broker.port, 5, 1, "energy/mill/#", lambda results: whole("energy/mill", 30, results), 60)
        assert "energy/mill/catalogue" in seen, "what is sent once was tried again"


def test_i13_subscriptions_that_are_refused_are_reported_within_seconds_with_topic_and_reason(tmp_path: Path) -> None:
    """By the plugin that refuses in SUBACK; access rules in a file grant a subscription and send nothing."""
    acls = [
        {"acltype": kind, "topic": topic, "allow": True}
        for kind, topic in (
            ("publishClientSend", "#"), ("publishClientReceive", "#"), ("unsubscribePattern", "#"),
            ("subscribePattern", "energy/mill/#"), ("subscribePattern", "m/q01"),
        )
    ]  # fmt: skip
    security = {
        "defaultACLAccess": {
            "publishClientSend": True,
            "publishClientReceive": True,
            "subscribe": False,
            "unsubscribe": True,
        },
        "groups": [{"groupname": "everybody", "roles": [{"rolename": "reader"}]}],
        "roles": [{"rolename": "reader", "acls": acls}],
        "anonymousGroup": "everybody",
    }
    (tmp_path / "security.json").write_text(json.dumps(security), encoding="utf-8")
    plugin = next(Path("/usr/lib").glob("*/mosquitto_dynamic_security.so"))
    config = f"plugin {plugin}\nplugin_opt_config_file {tmp_path}/security.json\n"
    with (
        Mosquitto(config) as broker,
        running(site(broker.port, limits=QUICK), tmp_path / "s.sqlite") as here,
    ):
        begun = time.monotonic()
        assert here.has("subscription-refused-meters", 60)
        assert time.monotonic() - begun < 60
        finding = here.findings()["subscription-refused-meters"]
        assert re.search(r"refuses the subscription to m/\w+ and 3 more: Not authorized", finding.text), finding.text
        assert "m/q01" not in finding.text


def test_i13_where_reading_is_forbidden_without_a_word_silence_names_the_access_rules(tmp_path: Path) -> None:
    config = rules(tmp_path, "topic readwrite energy/mill/#\ntopic write m/#\n")
    with (
        Mosquitto(config) as broker,
        running(site(broker.port, limits=f"{QUICK}, stale_after_s = 10"), tmp_path / "s.sqlite") as here,
        sending(broker.port) as out,
    ):
        assert until(out.connected)
        for point in POINTS:
            out.publish(f"m/{point}", message(now_ms(), **{"import": 5_000.0}))
        assert here.has("silent-mill", 60)
        assert "access rules" in here.findings()["silent-mill"].remedy
        assert here.daemon.counters.readings == 0


@contextmanager
def meters(port: int, *silent: str) -> Iterator[None]:
    """All meters of the mill send each second what they show, but for those that are off."""
    stop = threading.Event()

    def work(out: Link) -> None:
        for count in itertools.count():
            for point in set(POINTS) - set(silent):
                out.publish(f"m/{point}", message(now_ms(), **{"import": 5_000.0 + count, "power": 300.0}))
            if stop.wait(1.0):
                return

    with sending(port) as out:
        assert until(out.connected)
        thread = threading.Thread(target=work, args=(out,))
        thread.start()
        try:
            yield
        finally:
            stop.set()
            thread.join(10)


READS = "topic readwrite energy/mill/#\ntopic write m/#\n"
GRANTED = "nothing-received-meters"


def test_i13_topics_that_are_granted_and_not_delivered_are_named_within_75_s_beside_others(tmp_path: Path) -> None:
    """Found with a broker whose access rules let a client subscribe to everything and read a part: no finding in 75 s."""
    config = rules(tmp_path, f"{READS}topic read m/q01\ntopic read m/roof\n")
    with (
        Mosquitto(config) as broker,
        meters(broker.port),
        running(site(broker.port, limits=f"{QUICK}, stale_after_s = 70"), tmp_path / "s.sqlite") as here,
    ):
        assert until(lambda: here.daemon.counters.readings > 4, 60)
        begun = time.monotonic()
        assert here.has(GRANTED, 75), here.findings()
        assert time.monotonic() - begun > 45, "a meter that sends once a minute is not late yet"
        finding = here.findings()[GRANTED]
        assert "nothing has come on 3 of 5 topics" in finding.text
        assert finding.text.endswith(": m/t1, m/q02, m/q03"), finding.text
        assert finding.points == ("t1", "q02", "q03")
        assert "access rules" in finding.remedy
        # when the points count as silent too, this is what explains it
        assert until(lambda: len(here.findings()[GRANTED].evidence) >= 3, 60), here.findings()
        assert not [name for name in here.findings() if name.startswith(("stale", "silent"))]
        rules(tmp_path, f"{READS}topic read m/#\n")
        os.kill(broker.pid, signal.SIGHUP)
        assert until(lambda: GRANTED not in here.findings(), 60), here.findings()
        assert not [name for name in here.findings() if name.startswith(("stale", "silent"))]


def test_i13_a_meter_that_is_off_stays_told_while_the_broker_restarts_and_until_it_sends(tmp_path: Path) -> None:
    limits = f"{QUICK}, first_value_s = 4, stale_after_s = 6"
    with (
        Mosquitto(persistent=False) as broker,
        running(site(broker.port, limits=limits), tmp_path / "s.sqlite") as here,
    ):
        with meters(broker.port, "q02"):
            assert here.has(GRANTED, 60), here.findings()
            assert here.findings()[GRANTED].text.endswith(": m/q02")
            assert here.findings()[GRANTED].points == ("q02",)
            broker.restart()
            sent = here.daemon.counters.readings
            for _ in range(200):
                assert "stale-q02" not in here.findings()
                time.sleep(0.02)
            assert until(lambda: here.daemon.counters.readings > sent, 60)
            assert GRANTED in here.findings()
        with meters(broker.port):
            assert until(lambda: GRANTED not in here.findings(), 60)
            assert "stale-q02" not in here.findings()


# -- a broker that goes, and certificates --------------------------------------------------------------------------------


def test_b8_a_broker_that_restarts_again_and_again_is_no_twin(tmp_path: Path) -> None:
    """Found with a broker that came back within the first wait of the link: every restart looked like a twin."""
    with (
        Mosquitto(persistent=False) as broker,
        running(site(broker.port, limits=QUICK), tmp_path / "s.sqlite") as here,
    ):
        assert until(lambda: here.daemon.published() > 20, 60)
        (watch,) = here.daemon._plan_runtime.monitors  # type: ignore[union-attr]
        for count in range(1, 5):
            assert until(lambda n=count: watch.source.state().counters.connects >= n, 60)  # type: ignore[misc,union-attr]
            broker.restart()
        assert until(lambda: watch.source.state().counters.connects >= 5, 60)  # type: ignore[union-attr]
        shown = here.daemon.counters.snapshots
        assert until(lambda: here.daemon.counters.snapshots > shown + 3)
        assert "client-id-twice-meters" not in here.findings()
        assert not watch.resting


@pytest.mark.parametrize("tls", ["tlsv1.2", "tlsv1.3"])
@pytest.mark.parametrize("ours", ["none", "of another authority"])
def test_b18_a_client_certificate_that_is_missing_or_of_another_authority_is_named(
    ours: str, tls: str, tmp_path: Path
) -> None:
    (tmp_path / "other").mkdir()
    for folder in (tmp_path, tmp_path / "other"):
        certificates(folder)
    config = f"cafile {tmp_path}/ca.crt\ncertfile {tmp_path}/broker.crt\nkeyfile {tmp_path}/broker.key\n"
    config += f"require_certificate true\ntls_version {tls}\n"
    own = (
        ""
        if ours == "none"
        else f', cert_file = "{tmp_path}/other/broker.crt", key_file = "{tmp_path}/other/broker.key"'
    )
    with Mosquitto(config, persistent=False) as broker:
        path = write_plan(tmp_path / "plan", broker.port, limits=QUICK)
        text = path.read_text(encoding="utf-8")
        tls_keys = f'tls = true, ca_file = "{tmp_path}/ca.crt"{own}'
        changed = text.replace('host = "127.0.0.1", port', f'host = "localhost", {tls_keys}, port')
        assert changed != text
        path.write_text(changed, encoding="utf-8")
        with running(load_plan(path).site, tmp_path / "s.sqlite") as here:
            # an attempt whose connection is reset before the alert is read can only say "may"; a later one knows
            expected = "asks for a client certificate" if ours == "none" else "another authority"
            assert until(lambda: expected in told(here), 60), told(here)


def told(here: Here) -> str:
    """What is said about the broker that is away."""
    return " ".join(f.text for f in here.findings().values() if f.cause in ("broker-silent", "source-away"))
