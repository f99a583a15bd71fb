"""The surplus goes out before its readings are stored: asked of the running daemon while its store is locked."""

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from meterd.adapters.mqtt.client import Link
from meterd.adapters.planfile.loader import load_plan
from meterd.core.topics.message import parse
from tests.bench.rig import BROKER
from tests.brokers import Mosquitto, until
from tests.faults.mill import Here, message, now_ms, publish, running, sending
from tests.faults.test_b_broker import hearing
from tests.faults.test_g_rounds import plan

pytestmark = pytest.mark.slow
POINTS = ("t1", "roof", "room-1", "room-2")
SURPLUS = "energy/mill/pv/surplus"


def all_in_one(folder: Path, port: int) -> Path:
    """The plan of the mill whose meters come in one message, so that no tick begins in the middle of a round."""
    path = plan(folder, port)
    head = path.read_text(encoding="utf-8").partition("[[input]]")[0]
    row = '[[input]]\npoint = "{0}"\naddress = "m/all"\ntime_field = "/t"\nfields = {{ "16.7.0" = "/{0}" }}\n'
    path.write_text(head + "".join(row.format(point) for point in POINTS), encoding="utf-8")
    return path


def round_of(at_ms: int, export_w: float) -> list[tuple[str, bytes]]:
    """One round of samples of the mill whose rooms draw nothing: its surplus is what it exports."""
    powers = dict(zip(POINTS, (-export_w, 20_000.0, 0.0, 0.0), strict=True))
    return [("m/all", message(at_ms, **powers))]


def heard(seen: dict[str, list[bytes]]) -> list[tuple[int, float]]:
    """Times and values of the surplus, as they came."""
    parsed = [parse(payload) for payload in seen.get(SURPLUS, [])]
    return [(item.at_ms, item.value) for item in parsed if item.value is not None]


def stored(other: sqlite3.Connection, at_ms: int) -> int:
    """How many readings of a moment the store holds."""
    return int(other.execute("SELECT COUNT(*) FROM reading WHERE at_ms = ?", (at_ms,)).fetchone()[0])


def heard_before_stored(
    here: Here, other: sqlite3.Connection, out: Link, seen: dict[str, list[bytes]], export_w: float
) -> int:
    """Send a round while a second program holds the store; its moment if the surplus came before the daemon gave up, else 0.

    `export_w` is another one in each try: a surplus that has not changed is not published before its period.
    """
    before = here.daemon.snapshot
    # after a snapshot the loop waits; after readings are stored it writes digests and findings, and would wait for the store
    assert until(lambda: here.daemon.snapshot is not before, 30)
    other.execute("BEGIN IMMEDIATE")
    sent = now_ms()
    try:
        publish(out, round_of(sent, export_w))
        came = until(lambda: (sent, export_w) in heard(seen), 3)  # the daemon waits five seconds for its store
        return sent if came and not stored(other, sent) else 0
    finally:
        other.execute("ROLLBACK")
        assert until(lambda: stored(other, sent) == len(POINTS), 30)


def test_a_surplus_does_not_wait_for_the_store_and_is_never_followed_by_an_older_one(tmp_path: Path) -> None:
    """A second program holds the store for a while: the surplus of the newest round is heard, its readings come after.

    Several tries: a daemon that writes something else at that moment waits in the middle of it.
    """
    store = tmp_path / "s.sqlite"
    with Mosquitto(BROKER) as broker, hearing(broker) as seen, sending(broker.port) as out:
        site = load_plan(all_in_one(tmp_path, broker.port)).site
        with running(site, store) as here:
            assert until(lambda: publish(out, round_of(now_ms(), 8_000)) or heard(seen), 60)
            with closing(sqlite3.connect(store, isolation_level=None, timeout=30)) as other:
                sent = next(
                    (ms for i in range(20) if (ms := heard_before_stored(here, other, out, seen, 9_500.0 + 500 * i))), 0
                )
                assert sent, "no surplus came before its readings were stored"
                publish(out, round_of(now_ms(), 7_000))
                assert until(lambda: heard(seen)[-1][1] == 7_000.0)
        times = [at_ms for at_ms, _ in heard(seen)]
        assert times == sorted(times)
