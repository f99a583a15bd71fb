"""Loads without a meter and a seasonal feeder in the running daemon (I7, I8).

Weeks of readings of the block are put into a store, and a daemon examines its closed days; what it finds is read from the store.
"""

import time
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from meterd.adapters.planfile.loader import load_plan
from meterd.adapters.runtime.clock import WallClock
from meterd.adapters.store.journal import SqliteStore
from meterd.app.operations.ledger import Ledger
from meterd.core.model.finding import Finding
from meterd.core.model.periods import from_ms
from meterd.core.model.reading import IMPORT
from tests.brokers import Mosquitto, until
from tests.faults.mill import open_findings, running
from tests.simulator.drift_block import RATING, block
from tests.simulator.drift_sites import Simulated

pytestmark = pytest.mark.slow
LIMIT_S = 300.0
CAUSES = ("drift", "balance-shift")
WARM = 60
BERLIN = ZoneInfo("Europe/Berlin")
PLAN = """\
site = {{ name = "block", zone = "Europe/Berlin", interval_s = {step_s} }}
broker = {{ host = "127.0.0.1", port = {port} }}
limits = {{ drift_pause_s = 0 }}
source = [{{ name = "meters", protocol = "mqtt", time_unit = "ms" }}]
board = [{{ name = "house", rating_kva = 250 }}]
point = [
{points}
]
instrument = [
{instruments}
]
[[input]]
point = "*"
address = "m/{{point}}"
time_field = "/t"
fields = {{ "1.8.0" = "/import" }}
"""


def plan_of(folder: Path, port: int, step_s: int) -> Path:
    """The plan of the block as one file."""
    points = "\n".join(
        f'    {{ point = "{n}", role = "{"feed" if n == "main" else "feeder"}", rating_a = {a:g} }},'
        for n, a in RATING.items()
    )
    instruments = "\n".join(
        f'    {{ point = "{n}", from = "2025-01-01", meter_class = "{"0.5S" if n == "main" else "1"}", '
        f'ct_class = "{"0.5" if n == "main" else "1"}", ct_ratio = "{a:g}/5", register_max_wh = 1e12 }},'
        for n, a in RATING.items()
    )
    path = folder / "block.toml"
    path.write_text(PLAN.format(step_s=step_s, port=port, points=points, instruments=instruments), encoding="utf-8")
    return path


def filled(plan: Path, store: Path, simulated: Simulated) -> int:
    """Every register as it was read at the end of every interval; the last moment."""
    site = load_plan(plan).site
    writer = SqliteStore.writer(store)
    ledger = Ledger(writer, site, ZoneInfo(site.zone))
    times = np.append(simulated.start_ms, simulated.start_ms[-1] + simulated.step_ms)
    end = int(times[-1])
    for column, name in enumerate(RATING):
        shown = 1_000_000 + np.concatenate([[0], np.cumsum(simulated.energy[:, column])])
        ledger.import_history((name, IMPORT), times, shown, end)
    ledger.recompute_all(end - simulated.step_ms, end)
    writer.close()
    return end


def examined(folder: Path, simulated: Simulated) -> list[Finding]:
    """What stands open of the drift watch once a daemon has examined all closed days of the history."""
    with Mosquitto() as broker:
        plan, store = plan_of(folder, broker.port, simulated.step_ms // 1000), folder / "s.sqlite"
        ahead = filled(plan, store, simulated) + 120_000 - time.time_ns() // 1_000_000
        clock = WallClock(lambda: time.time_ns() // 1_000_000 + ahead)
        with running(load_plan(plan).site, store, clock) as here:
            assert until(here.examined, LIMIT_S)
            here.looks(4)  # what the watch has found is kept
            return [finding for finding in open_findings(store).values() if finding.cause in CAUSES]


@pytest.mark.parametrize(
    ("kind", "hours"), [("work", ("from 9", "from 10")), ("evening", ("from 18", "from 19")), ("constant", ())]
)
def test_i7_a_load_without_a_meter_is_reported_as_such_and_no_meter_is_named(
    tmp_path: Path, kind: str, hours: tuple[str, ...]
) -> None:
    """5 kW that come after 60 days, for 11 days: the board is reported, with the hours of the day; nobody's meter is."""
    findings = examined(tmp_path, block(811, WARM + 11, kind=kind, size_kw=5.0, from_day=WARM))
    assert [(finding.cause, finding.subject) for finding in findings] == [("balance-shift", "board-house")]
    assert findings[0].remedy.startswith("look for a load without a meter at board house")
    if hours:
        assert "unmetered load of board house that follows no meter, +" in findings[0].text
        assert any(message in findings[0].text for message in hours)
    else:
        assert "unmetered standing load of board house +" in findings[0].text


@pytest.mark.parametrize("later", [20, 52])
def test_i7_a_load_where_losses_had_changed_before_is_reported_since_it_came(tmp_path: Path, later: int) -> None:
    """Losses that grow after 60 days stay open; 8 kW come to the same board later on. They were dated like the losses, and
    after 20 days they were not reported for 26 days, as a part of the losses.
    """
    came = WARM + later
    simulated = block(900, came + 7, kind="constant", size_kw=8.0, from_day=came)
    feed, rows = simulated.net.points.index("main"), slice(WARM * simulated.per_day, None)
    through = np.delete(simulated.energy[rows], feed, axis=1).sum(axis=1)
    full = 250 * simulated.step_ms / 3.6  # mWh of an interval at the rating of the board
    simulated.energy[rows, feed] += np.rint(0.06 * through * (through / full)).astype(np.int64)
    findings = examined(tmp_path, simulated)
    assert [(finding.cause, finding.subject) for finding in findings] == [("balance-shift", "board-house")]
    assert "unmetered standing load of board house +" in findings[0].text
    assert (
        f"since {from_ms(int(simulated.start_ms[came * simulated.per_day])).astimezone(BERLIN):%Y-%m-%d}"
        in findings[0].text
    )


def test_i7_the_meter_of_the_same_feeder_is_still_named_when_it_reads_less(tmp_path: Path) -> None:
    """The counter-trial: offices 8 % low, about what 5 kW at work hours look like."""
    simulated = block(812, WARM + 11)
    column = simulated.net.points.index("offices")
    rows = slice(WARM * simulated.per_day, None)
    simulated.energy[rows, column] = np.rint(simulated.energy[rows, column] * 0.92)
    assert [(finding.cause, finding.subject) for finding in examined(tmp_path, simulated)] == [("drift", "offices")]


def test_i7_a_meter_that_may_be_a_load_as_well_is_named_once_its_days_tell(tmp_path: Path) -> None:
    """The lighting reads 15 % less and hardly fluctuates within the hour. After two weeks nothing more was asked of such a list;
    its 35th day decides."""
    simulated = block(812, WARM + 38)
    column = simulated.net.points.index("lighting")
    rows = slice(WARM * simulated.per_day, None)
    simulated.energy[rows, column] = np.rint(simulated.energy[rows, column] * 0.85)
    assert [(finding.cause, finding.subject) for finding in examined(tmp_path, simulated)] == [("drift", "lighting")]


def test_i8_a_feeder_that_wakes_up_in_summer_is_no_fault_where_meters_are_read_every_five_minutes(
    tmp_path: Path,
) -> None:
    """Cooling stands still for eight weeks and runs for three; the flows of all others are as before."""
    simulated = block(1, 80, step_s=300, begin_day=57)
    cooling = simulated.energy[:, simulated.net.points.index("cooling")].reshape(80, -1).sum(axis=1)
    assert cooling[:44].max() < 2_000_000 < 500_000_000 < cooling[-1]
    assert examined(tmp_path, simulated) == []


@pytest.mark.parametrize(("point", "days"), [("offices", 7), ("main", 2)])
def test_i7_a_meter_that_is_wrong_from_noon_on_is_one_finding(tmp_path: Path, point: str, days: int) -> None:
    """It reads a third, and its first day is half right. A second finding stood beside it: a list of the feeder after a week,
    a list of another feeder and a load on the second evening of the feed."""
    simulated = block(812, WARM + days)
    column = simulated.net.points.index(point)
    rows = slice(WARM * simulated.per_day + simulated.per_day // 2, None)
    simulated.energy[rows, column] = np.rint(simulated.energy[rows, column] / 3)
    assert [(finding.cause, finding.subject) for finding in examined(tmp_path, simulated)] == [("drift", point)]
