"""Readings from the sources' hands into the store: in any order and split, across restarts, past a store that refuses."""

import random
from itertools import pairwise
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from meterd.adapters.runtime.clock import TrialClock
from meterd.adapters.sources import Delivery
from meterd.app.daemon import ingest as ingest_module
from meterd.core.model.reading import CAN_TAKE, IMPORT, POWER, Reading
from tests.app.daemon.loops_by_hand import ByHand, Hand, by_hand, refusing
from tests.brokers import free_port
from tests.faults.mill import MAY, as_readings, minutes, reading_count, site, stored_figures

PORT = free_port()  # nobody listens there
SENT = as_readings(minutes(150, step=10))  # 15 moments of two and a half hours, six registers
END = Reading("q01", IMPORT, MAY + 200 * 60_000, 10_000_000 + 100_000 * 200, MAY + 200 * 60_000)


def tick(here: ByHand, *deliveries: tuple[Hand, Delivery]) -> None:
    """One tick of the loop with these in its hands, and what it leaves for later."""
    here.runtime.inbox.held.extend(deliveries)
    here.loop.ingest.tick()
    while here.plan_runtime.ledger.late_step(here.runtime.clock.now_ms(), 0):
        pass


def in_order(path: Path) -> dict[str, object]:
    """The figures of all readings in one delivery, in the order of time."""
    with by_hand(site(PORT), path, TrialClock(MAY)) as here:
        tick(here, (Hand(), Delivery((*SENT, END))))
    return stored_figures(path)


@pytest.fixture(scope="module")
def wanted(tmp_path_factory: pytest.TempPathFactory) -> dict[str, object]:
    return in_order(tmp_path_factory.mktemp("in_order") / "s.sqlite")


@settings(max_examples=3)
@given(st.integers(0, 2**32), st.lists(st.integers(1, len(SENT) - 1), unique=True, max_size=12), st.integers(0, 12))
@example(0, [], 0)
@example(7, list(range(5, 90, 9)), 4)
def test_any_order_split_and_restart_gives_the_same_figures_and_confirms_once(
    wanted: dict[str, object], seed: int, cuts: list[int], restart: int
) -> None:
    """A delivery is confirmed after its readings are stored and never twice; a restart loses and doubles nothing."""
    readings = [*SENT]
    random.Random(seed).shuffle(readings)
    edges = [0, *sorted(cuts), len(readings)]
    parts = [Delivery(tuple(readings[low:high]), token=low) for low, high in pairwise(edges)]
    with TemporaryDirectory() as folder:
        path, given_so_far = Path(folder) / "s.sqlite", 0
        hand = Hand(stored=lambda: reading_count(path))
        for share in (parts[:restart], parts[restart:]):
            with by_hand(site(PORT), path, TrialClock(MAY)) as here:
                for part in share:
                    given_so_far += len(part.readings)
                    tick(here, (hand, part))
                    assert hand.confirmed[-1] == (part.token, given_so_far)
                    assert here.runtime.inbox.held == []
        with by_hand(site(PORT), path, TrialClock(MAY)) as here:
            tick(here, (hand, Delivery((END, *readings[:20]))))  # what was not confirmed by a broker comes again
        assert [token for token, _ in hand.confirmed] == [part.token for part in parts]
        assert stored_figures(path) == wanted


def test_a_store_that_refuses_holds_readings_unconfirmed_and_present_values_go_on(tmp_path: Path) -> None:
    """As on a disk that has become read-only: nothing is confirmed, the powers are known, and all is stored later."""
    path, hand = tmp_path / "s.sqlite", Hand()
    at_ms = MAY + 60_000
    power = Reading("q01", POWER, at_ms, 4_200.0, at_ms)
    with by_hand(site(PORT), path, TrialClock(MAY)) as here:
        counters, ingest = here.runtime.counters, here.loop.ingest
        tick(here, (hand, Delivery(tuple(SENT[:6]), "before")))
        with refusing(here.store):
            here.runtime.inbox.held.append((hand, Delivery((power,), "held")))
            ingest.tick()
            assert ingest.trouble is not None
            assert "1 readings wait" in ingest.trouble.finding.text
            since_s = ingest.trouble.since_s
            here.runtime.inbox.held.append((hand, Delivery(tuple(SENT[6:12]), "more")))
            ingest.tick()
            assert "7 readings wait" in ingest.trouble.finding.text
            assert ingest.trouble.since_s == since_s, "it is one outage"
            assert [token for token, _ in hand.confirmed] == ["before"]
            assert (counters.store_failures, counters.readings) == (2, 6)
            assert here.plan_runtime.ledger.state.instant["q01", POWER].value == 4_200.0
            assert reading_count(path) == 6
        ingest.tick()
        assert ingest.trouble is None
        assert [token for token, _ in hand.confirmed] == ["before", "held", "more"]
        assert (counters.deliveries, counters.readings) == (3, 13)
    assert reading_count(path) == 13


def test_a_reading_that_no_journal_can_hold_costs_no_other_and_figures_follow(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, wanted: dict[str, object]
) -> None:
    """It is a finding, and its delivery is confirmed: it would come again for ever. Figures are made after a while of calm."""
    monkeypatch.setattr(ingest_module, "CALM_S", 3_600.0)
    path, hand = tmp_path / "s.sqlite", Hand()
    beyond = Reading("q02", IMPORT, MAY + 30_000, 2**70, MAY + 30_000)
    with by_hand(site(PORT), path, TrialClock(MAY)) as here:
        tick(here, (hand, Delivery(tuple(SENT[:30]), 1)))
        here.runtime.inbox.held.append((hand, Delivery((*SENT[30:], beyond, END), 2)))
        here.loop.ingest.tick()
        assert (here.runtime.counters.unkept, here.runtime.counters.failures) == (1, 1)
        assert [finding.cause for finding in here.runtime.step_runner.events] == ["fault", "unkept"]
        assert [token for token, _ in hand.confirmed] == [1, 2]
        assert reading_count(path) == len(SENT) + 1
        assert stored_figures(path) != wanted, "no figure is tried again so soon"
        here.loop.ingest.tick()
        assert stored_figures(path) != wanted
        monkeypatch.setattr(here.loop.ingest, "_calm_until", 0.0)
        tick(here)
    assert stored_figures(path) == wanted


def test_what_a_consumer_can_take_is_of_now_and_not_stored(tmp_path: Path) -> None:
    """It is known to the snapshot, confirmed and counted with its delivery, and no reading of the journal."""
    path, hand = tmp_path / "s.sqlite", Hand()
    with by_hand(site(PORT), path, TrialClock(MAY)) as here:
        tick(here, (hand, Delivery((Reading("q01", CAN_TAKE, MAY, 2_000.0, MAY), *SENT[:6]), 1)))
        assert here.plan_runtime.ledger.state.instant["q01", CAN_TAKE].value == 2_000.0
        assert (here.runtime.counters.deliveries, here.runtime.counters.readings) == (1, 6)
    assert hand.confirmed == [(1, 0)]
    assert reading_count(path) == 6


def test_present_values_are_read_a_second_time_while_a_store_refuses_for_long(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A source of the plan's protocol is opened for as long as it lasts, and closed when the store takes readings again."""
    monkeypatch.setattr(ingest_module, "LIVE_AFTER_S", -1.0)
    with by_hand(site(PORT), tmp_path / "s.sqlite", TrialClock(MAY)) as here:
        with refusing(here.store):
            here.runtime.inbox.held.append((Hand(), Delivery(tuple(SENT[:6]))))
            here.loop.ingest.tick()
            assert here.loop.ingest.trouble is not None
            (source,) = here.loop.ingest.trouble.sources
            here.loop.ingest.tick()
            assert here.loop.ingest.trouble.sources == [source], "one, however often the store is tried"
        here.loop.ingest.tick()
        assert here.loop.ingest.trouble is None
        state = source.state()
        assert state is None or not state.connected
