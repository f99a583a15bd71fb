"""I1: no invalid value while all meters send, whatever their periods and phases, and no two rounds in one value.

The full form (`-m bench`) is half an hour with periods of 3, 5, 10 and 60 s, together and at phases of their own, with the
usual limits. The short form is the same at a tenth of every time, so that 1 s is the window of one moment and 6 s the age at
which a power is no longer believed. Judged from the second sample of every meter on: one that was heard only once is believed
as the plan says, and no longer, so the first gap of meters as slow as that may make a value invalid (`model/rounds.py`).
"""

import threading
import time
from contextlib import ExitStack
from pathlib import Path

import pytest

from tests.bench.rig import client, daemon
from tests.bench.soak import Case, Listener, Meters, Outcome, judge, write_plan
from tests.bench.table import Line
from tests.brokers import Mosquitto, until

pytestmark = [pytest.mark.bench, pytest.mark.slow, pytest.mark.timeout(2400)]
TENTH = "power_max_age_s = 6, same_time_s = 1, publish_every_s = 3"
FEW = 4  # feeders: they only add to what the feed shows
SHORT = (
    Case("window", (1.0,), False, TENTH, 1, FEW),
    Case("together", (1.5,), True, TENTH, 1, FEW),
    Case("age", (6.0,), False, TENTH, 6, FEW),
    Case("mixed", (0.3, 0.5, 1.0, 2.0), False, TENTH, 1, FEW),
    Case("periods", (0.3, 0.5, 1.0, 6.0), False, TENTH, 1, FEW),
)
FULL = (
    *(Case(f"p{int(p)}-{word}", (p,), word == "together") for p in (3.0, 5.0, 10.0) for word in ("together", "phases")),
    *(Case(f"p60-{word}", (60.0,), word == "together", sample_s=60) for word in ("together", "phases")),
    Case("periods", (3.0, 5.0, 10.0, 60.0), False, sample_s=10),
)
SHORT_S, FULL_S = 22.0, 1800.0


def soak(cases: tuple[Case, ...], folder: Path, seconds: float) -> dict[str, Outcome]:
    """All cases at once, at one broker, each with a daemon of its own."""
    with ExitStack() as stack:
        broker = stack.enter_context(Mosquitto())
        listeners = {case.name: Listener(case) for case in cases}
        meters = {case.name: Meters(case, broker.port) for case in cases}
        for case in cases:
            listeners[case.name].attach(stack.enter_context(client(broker.port)))
            plan = write_plan(case, folder, broker.port)
            stack.enter_context(daemon(plan, folder / f"{case.name}.sqlite", trial=False))
        threads = [threading.Thread(target=meters.run) for meters in meters.values()]
        for thread in threads:
            thread.start()
        try:
            first = 4 * max(max(case.periods_s) for case in cases) + 240  # daemons begin slowly on a busy machine
            heard = [listeners[case.name].plain for case in cases]
            assert until(lambda: all(len(item.get("pv/surplus", [])) > 2 for item in heard), first), "no surplus at all"
            # on a busy machine a daemon may begin later than the meters: what they have sent is not what it has heard
            assert until(lambda: all(item.heard() for item in listeners.values()), first), "a meter is not heard"
            assert until(lambda: all(item["pv/surplus"][-1][1] > 0 for item in heard), first), "no surplus any more"
            for item in listeners.values():
                item.begin()
            time.sleep(seconds)
            outcomes = {case.name: judge(case, listeners[case.name], meters[case.name].sent) for case in cases}
        finally:
            for item in meters.values():
                item.stop.set()
            for thread in threads:
                thread.join(10.0)
    return outcomes


def test_i1_no_invalid_value_while_all_meters_send_and_no_two_rounds_in_one(
    tmp_path: Path, full: bool, report: list[Line]
) -> None:
    """Every published draw, production, self-use and surplus is recalculated from what was sent, by its own time stamp."""
    cases, seconds = (FULL, FULL_S) if full else (SHORT, SHORT_S)
    outcomes = soak(cases, tmp_path, seconds)
    for name, outcome in outcomes.items():
        text = f"{outcome.values} values, {outcome.apart_s:.1f} s apart at most"
        report.append(
            Line(f"rounds {name}", "invalid, mixed", f"{sum(outcome.invalid.values())}, {outcome.mixed}", note=text)
        )
    for name, outcome in outcomes.items():
        assert outcome.values > seconds / 10, (name, outcome)
        assert not outcome.invalid, (name, outcome)
        assert outcome.zeros == 0, (name, outcome)
        assert outcome.mixed == 0, (name, outcome)
