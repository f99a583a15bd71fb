"""Whatever is wrong around the daemon is said in a line with its place and its remedy, and nothing accepted is lost."""

import os
import re
import resource
import signal
import socket
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from meterd.adapters.mqtt.client import Link
from meterd.adapters.store.journal import SqliteStore
from meterd.core.model.reading import IMPORT
from tests.brokers import Mosquitto, free_port, until
from tests.faults.mill import (
    QUARTER,
    Child,
    fill,
    message,
    now_ms,
    open_findings,
    publish,
    reading_count,
    sending,
    small_disk,
    write_plan,
)
from tests.programs import finished

pytestmark = pytest.mark.slow
BROKER = "max_queued_messages 0\nmax_inflight_messages 0\n"


@pytest.fixture
def broker() -> Iterator[Mosquitto]:
    with Mosquitto(BROKER) as item:
        yield item


def listening(child: Child, store: Path, out: Link) -> None:
    """Wait until the daemon takes readings: a feeder's register is repeated until it is in the journal."""
    assert until(out.connected)

    def heard() -> bool:
        out.publish("m/q01", message(now_ms() - QUARTER, **{"import": 1}))
        time.sleep(0.1)
        return reading_count(store) > 0

    assert until(heard, 30), child.said()


def feeder(count: int, *, begin: int = 10) -> list[tuple[str, bytes]]:
    """Registers of one feeder, a reading every 10 ms of the last minutes."""
    base = now_ms() - 300_000
    return [("m/q02", message(base + 10 * i, **{"import": i})) for i in range(begin, begin + count)]


def no_traceback(text: str) -> None:
    """The terminal shows sentences."""
    assert "Traceback" not in text, text


def test_a_wrong_plan_is_refused_with_every_fault_its_place_and_its_remedy(tmp_path: Path) -> None:
    plan = write_plan(tmp_path / "plan", 1883)
    text = plan.read_text().replace("rating_kva = 400", 'rating_kva = "big"').replace('role = "pv"', 'role = "sun"')
    plan.write_text(text + '\n[[input]]\npoint = "q09"\naddress = "m/+"\nfields = { "1.8.0" = "import/x" }\n')
    done = finished(["run", str(plan), "--store", str(tmp_path / "s.sqlite")], tmp_path)
    assert (done.returncode, done.stdout) == (2, "")
    faults = done.stderr.splitlines()[1:]
    assert len(faults) >= 3, done.stderr
    assert all(re.match(r"mill\.toml:\d+:\d+: .+; .+", line) or "?" in line for line in faults), done.stderr
    for part in ("rating_kva", "sun", "q09"):
        assert part in done.stderr
    assert not (tmp_path / "s.sqlite").exists()
    no_traceback(done.stderr)


def test_a_plan_that_is_not_there_and_a_wrong_option_are_reported(tmp_path: Path) -> None:
    done = finished(["run", str(tmp_path / "none")], tmp_path)
    assert done.returncode == 2
    assert "there is no such plan; name a plan folder" in done.stderr
    done = finished(["run", "x", "--nonsense", "2026"], tmp_path)
    assert done.returncode == 2
    assert "there is no option --nonsense" in done.stderr


def test_garbage_and_unknown_topics_are_counted_and_later_values_used(tmp_path: Path, broker: Mosquitto) -> None:
    plan, store = write_plan(tmp_path / "plan", broker.port, limits=""), tmp_path / "s.sqlite"
    with Child(plan, store) as child, sending(broker.port) as out:
        listening(child, store, out)
        publish(out, [("m/unknown", b"1"), ("other/topic", b"{}")])
        for bad in (b"\xff\xfe", b"{", b'{"t": 1}', b"NaN", b"[" * 9000, b'{"import": "12,5"}', b"x" * 300_000):
            publish(out, [("m/q02", bad)])
        good = feeder(5)
        before = reading_count(store)
        publish(out, good)
        assert until(lambda: reading_count(store) == before + 5)
        assert until(lambda: any(_is_refusal(name) for name in open_findings(store)), 5), child.said()
        finding = next(finding for name, finding in open_findings(store).items() if _is_refusal(name))
        assert re.search(r"q02: \d+ values of import refused, the last because .+; it was: .+", finding.text)
        assert "inputs.csv" in finding.remedy
        assert child.stop() == 0
        no_traceback(child.said())


def _is_refusal(name: str) -> bool:
    return name.startswith("refused") and name.endswith("q02")


def test_an_absent_broker_is_waited_for(tmp_path: Path) -> None:
    broker = Mosquitto(BROKER)
    plan, store = write_plan(tmp_path / "plan", broker.port, limits="publish_every_s = 4"), tmp_path / "s.sqlite"
    with Child(plan, store) as child:
        assert until(lambda: store.exists() and "broker-silent-mill" in _findings(store), 20), child.said()
        assert child.runs
        with broker, sending(broker.port) as out:
            listening(child, store, out)
            assert until(lambda: "broker-silent-mill" not in _findings(store), 20)
            assert child.stop() == 0
        no_traceback(child.said())


def _findings(store: Path) -> set[str]:
    return set(open_findings(store)) if reading_count(store) >= 0 else set()


def test_a_second_daemon_on_the_same_store_says_who_has_it(tmp_path: Path, broker: Mosquitto) -> None:
    plan, store = write_plan(tmp_path / "plan", broker.port), tmp_path / "s.sqlite"
    with Child(plan, store) as child, sending(broker.port) as out:
        listening(child, store, out)
        second = finished(["run", str(plan), "--store", str(store)], tmp_path)
        assert second.returncode == 1
        assert f"the store {store} is in use by another daemon (process {child.pid})" in second.stderr
        assert "stop that one first" in second.stderr
        no_traceback(second.stderr)
        assert child.runs


def test_a_full_disk_holds_readings_and_takes_them_when_there_is_room(tmp_path: Path, broker: Mosquitto) -> None:
    with small_disk(tmp_path, 3) as disk:
        plan, store = write_plan(tmp_path / "plan", broker.port, limits=""), disk / "s.sqlite"
        child = Child(plan, store)
        child.log = tmp_path / "log"
        with child, sending(broker.port) as out:
            listening(child, store, out)
            filler = fill(disk)
            before = reading_count(store)
            publish(out, feeder(3_000))
            assert until(lambda: "readings are held" in child.said(), 20)
            time.sleep(1)
            held = reading_count(store)
            assert held < before + 3_000
            filler.unlink()
            assert until(lambda: reading_count(store) == before + 3_000, 30), (held, reading_count(store))
            assert until(lambda: "the store takes readings again" in child.said())
            assert child.stop() == 0
            no_traceback(child.said())


def test_a_file_that_may_not_grow_confirms_nothing_and_loses_nothing(tmp_path: Path, broker: Mosquitto) -> None:
    plan, store = write_plan(tmp_path / "plan", broker.port, limits=""), tmp_path / "s.sqlite"
    with Child(plan, store) as child, sending(broker.port) as out:
        listening(child, store, out)
        before = reading_count(store)
        resource.prlimit(child.pid, resource.RLIMIT_FSIZE, (4096, resource.RLIM_INFINITY))
        publish(out, feeder(2_000))
        assert until(lambda: "readings are held" in child.said(), 20)
        assert until(lambda: "cannot write to the store" in child.said())
        assert child.stop() == 1
        assert "readings could not be stored; those not confirmed come again with the next start" in child.said()
        assert reading_count(store) < before + 2_000
        child.start()
        assert until(lambda: reading_count(store) == before + 2_000, 30), "what was not confirmed comes again"
        assert child.stop() == 0
        no_traceback(child.said())


def test_a_folder_that_cannot_be_written_is_named(tmp_path: Path) -> None:
    plan = write_plan(tmp_path / "plan", 1883)
    done = finished(["run", str(plan), "--store", "/sys/s.sqlite"], tmp_path)
    assert done.returncode == 1
    assert (
        "cannot create the store /sys/s.sqlite: Permission denied; choose a folder that can be written" in done.stderr
    )


def test_a_file_that_is_no_store_is_left_alone(tmp_path: Path) -> None:
    plan, other = write_plan(tmp_path / "plan", 1883), tmp_path / "letter.txt"
    other.write_text("dear facility manager, " * 100)
    done = finished(["run", str(plan), "--store", str(other)], tmp_path)
    assert done.returncode == 1
    assert f"cannot open the store {other}: file is not a database; move the file away" in done.stderr
    assert other.read_text().startswith("dear")
    no_traceback(done.stderr)


def test_a_corrupt_store_is_set_aside_and_reported(tmp_path: Path, broker: Mosquitto) -> None:
    plan, store = write_plan(tmp_path / "plan", broker.port, limits=""), tmp_path / "s.sqlite"
    store.write_bytes(os.urandom(20_000))
    with Child(plan, store) as child, sending(broker.port) as out:
        listening(child, store, out)
        assert "store-damaged-mill" in open_findings(store)
        assert (tmp_path / "s.sqlite.damaged-1").stat().st_size == 20_000
        assert child.stop() == 0
        assert "it is kept as s.sqlite.damaged-1" in child.said()
        no_traceback(child.said())


def test_a_busy_port_of_the_embedded_broker_is_reported_with_what_to_do(tmp_path: Path) -> None:
    with socket.socket() as other:
        other.bind(("127.0.0.1", 0))
        other.listen()
        port = other.getsockname()[1]
        plan = write_plan(tmp_path / "plan", port)
        plan.write_text(plan.read_text().replace('host = "127.0.0.1"', "embedded = true"))
        done = finished(["run", str(plan), "--store", str(tmp_path / "s.sqlite")], tmp_path)
    assert done.returncode == 1
    assert f"cannot start the embedded broker on 127.0.0.1:{port}: Address already in use" in done.stderr
    assert "stop the program that uses the port" in done.stderr
    no_traceback(done.stderr)


def test_a_password_variable_that_is_not_set_is_named(tmp_path: Path) -> None:
    plan = write_plan(tmp_path / "plan", free_port())
    plan.write_text(
        plan.read_text().replace("broker = {", 'broker = { username = "m", password_env = "MILL_PASSWORD",')
    )
    done = finished(["run", str(plan), "--store", str(tmp_path / "s.sqlite")], tmp_path)
    assert done.returncode == 2
    assert "environment variable MILL_PASSWORD with the broker's password is not set" in done.stderr
    no_traceback(done.stderr)


def test_e8_a_stop_during_load_keeps_all_that_was_accepted_and_ends_in_time(tmp_path: Path, broker: Mosquitto) -> None:
    plan, store = write_plan(tmp_path / "plan", broker.port, limits=""), tmp_path / "s.sqlite"
    with Child(plan, store) as child, sending(broker.port) as out:
        listening(child, store, out)
        before = reading_count(store)
        sent = feeder(6_000)
        for topic, payload in sent:
            out.publish(topic, payload)
        begun = time.monotonic()
        assert child.stop() == 0
        assert time.monotonic() - begun < 10
        assert until(lambda: out.unacknowledged() == 0, 30)
        no_traceback(child.said())
        child.start()
        assert until(lambda: reading_count(store) == before + 6_000, 30), reading_count(store)


def test_e8_a_stop_with_a_frozen_broker_ends_in_time_and_a_second_signal_at_once(
    tmp_path: Path, broker: Mosquitto
) -> None:
    plan, store = write_plan(tmp_path / "plan", broker.port, limits=""), tmp_path / "s.sqlite"
    with Child(plan, store) as child, sending(broker.port) as out:
        listening(child, store, out)
        broker.freeze()
        try:
            begun = time.monotonic()
            assert child.stop() == 0
            assert time.monotonic() - begun < 10
            child.start()
            assert until(lambda: store_taken(store, child.pid), 20)
            time.sleep(0.5)
            second = time.monotonic()
            child.signal(signal.SIGTERM)
            child.signal(signal.SIGSTOP)  # a daemon that hangs
            child.signal(signal.SIGCONT)
            # two that are pending together are one: sent again until one is the second
            assert child.process is not None
            while child.process.poll() is None and time.monotonic() < second + 5:
                child.signal(signal.SIGTERM)
                time.sleep(0.1)
            # in order, at once by the second, or ended by it while the interpreter was already leaving
            assert child.wait(0.1) in (0, 128 + signal.SIGTERM, -signal.SIGTERM)
        finally:
            broker.thaw()
        no_traceback(child.said())


def store_taken(store: Path, pid: int) -> bool:
    """Whether a process has opened the store."""
    return store.with_name(store.name + ".lock").read_text().split() == [str(pid), "open"]


def test_a_register_that_breaks_the_core_does_not_stop_the_others(tmp_path: Path, broker: Mosquitto) -> None:
    """A ratio of 6000/1 on a register near its end passes 64 bits: that register is left out and reported, the others go on."""
    plan, store = write_plan(tmp_path / "plan", broker.port, limits=""), tmp_path / "s.sqlite"
    text = plan.read_text().replace(
        'instrument = [{ point = "*", meter_class = "B", register_max_wh = 1e9 }]',
        'instrument = [{ point = "*", meter_class = "B", ct_class = "0.5", ct_ratio = "6000/1" }]',
    )
    plan.write_text(
        text
        + '[[input]]\npoint = "q03"\naddress = "m/q03"\ntime_field = "/t"\nscale = "ct"\nfields = { "1.8.0" = "/import" }\n'
    )
    with Child(plan, store) as child, sending(broker.port) as out:
        listening(child, store, out)
        before = reading_count(store)
        base = now_ms() - 400 * 600_000
        huge = [("m/q03", message(base + i * 600_000, **{"import": 9_000_000_000_000 + i})) for i in range(400)]
        publish(out, [*huge, *feeder(50)])
        assert until(lambda: reading_count(store) == before + 450, 20)
        child.stop()
        child.start()
        assert until(lambda: "not-followed-import-q03" in open_findings(store), 20), child.said()
        before = reading_count(store)
        publish(out, [*feeder(20, begin=100)])
        assert until(lambda: reading_count(store) == before + 20, 20)
        assert child.stop() == 0
        no_traceback(child.said())
    stored = SqliteStore.reader(store)
    assert stored.latest(("q03", IMPORT)) is not None
    stored.close()
