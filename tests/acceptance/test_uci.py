"""A real house as whole-Wh registers with injected faults, in order of arrival: what is called exact is the truth."""

import csv
import gzip
import random
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from fractions import Fraction
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest

from meterd.adapters.store.journal import SqliteStore
from meterd.app.cli.main import main
from meterd.app.operations.ledger import Ledger
from meterd.core.energy.batch import all_tables, follow, interval_table
from meterd.core.energy.rollup import Columns, maximum_demand
from meterd.core.engine import begin
from meterd.core.model.periods import Period, label, text, to_ms
from meterd.core.model.plan import Board, Input, Instrument, Limits, Point, Role, Site
from meterd.core.model.reading import IMPORT, Reading
from meterd.core.model.results import Channel
from meterd.core.registers.register_line import Flag, Ints
from meterd.core.registers.tracker import Rule

pytestmark = pytest.mark.slow

DATA = Path(__file__).parents[1] / "data"
ZONE = ZoneInfo("Europe/Paris")
MINUTE, QUARTER = 60_000, 900_000
METERS = ("main", "sub1", "sub2", "sub3")
CHANNELS: list[Channel] = [(meter, IMPORT) for meter in METERS]
LIMITS = Limits(
    point_max_w=9000,  # the contract is for 9 kVA: 229 Wh in a minute are not possible
    gap_exact_s=60,
    future_s=10**9,
)
SITE = Site(
    "house",
    "Europe/Paris",
    boards=(Board("main"),),
    points=(Point("main", "main", Role.FEED), *(Point(f"sub{k}", "main", Role.FEEDER) for k in (1, 2, 3))),
    instruments=tuple(
        Instrument(m, -(2**60), register_max_wh=Fraction(100_000), resolution_wh=Fraction(1)) for m in METERS
    ),
    inputs=tuple(Input(m, IMPORT, "house", f"{m}/wh") for m in METERS),
    limits=LIMITS,
)


def rows_of(name: str) -> list[dict[str, str]]:
    """Rows of a CSV file of the data, which may be compressed."""
    content = (DATA / name).read_bytes()
    return list(csv.DictReader((gzip.decompress(content) if name.endswith(".gz") else content).decode().splitlines()))


def ms(stamp: str) -> int:
    return to_ms(datetime.fromisoformat(stamp))


@dataclass(frozen=True)
class Truth:
    """What was really used per quarter hour (T rows, 4 meters, mWh), and whether the registers can tell it exactly."""

    start: Ints
    energy: Ints
    exact: np.ndarray


@pytest.fixture(scope="module")
def truth() -> Truth:
    rows = rows_of("uci_registers_faults_1min_answers_quarterhour.csv")
    return Truth(
        np.array([ms(r["ts_utc"]) for r in rows]),
        np.array([[int(r[f"{m}_wh"]) * 1000 for m in METERS] for r in rows]),
        np.array([[r[f"{m}_exact"] == "1" for m in METERS] for r in rows]),
    )


@pytest.fixture(scope="module")
def arrivals() -> list[Reading]:
    """Readings in order of arrival, with duplicates and late ones."""
    rows = rows_of("uci_registers_faults_1min.csv.gz")
    return [Reading(r["meter"], IMPORT, ms(r["ts_utc"]), int(r["reading_wh"]) * 1000, i) for i, r in enumerate(rows)]


def play(path: Path, batches: Iterator[list[Reading]], truth: Truth) -> Columns:
    """Quarter hours of the real bookkeeper; time is that of the newest reading."""
    store = SqliteStore.writer(path)
    ledger = Ledger(store, SITE, ZONE)
    now = 0
    for batch in batches:
        now = max([now, *(r.at_ms for r in batch)])
        ledger.tick(batch, now)
    ledger.tick([], now + 3_600_000)
    while ledger.late_step(now + 3_600_000, 0):  # what came late is followed in pieces beside the present
        pass
    columns = store.columns(CHANNELS, Period.INTERVAL, truth.start)
    store.close()
    return columns


def batched(readings: list[Reading], sizes: random.Random, largest: int) -> Iterator[list[Reading]]:
    first = 0
    while first < len(readings):
        count = sizes.randint(1, largest)
        yield readings[first : first + count]
        first += count


def judge(columns: Columns, truth: Truth) -> None:
    """Good is the truth; what cannot be known is marked; nothing is invented."""
    good = columns.present & (columns.flags == 0)
    assert (columns.energy[good] == truth.energy[good]).all(), "a figure called good is not the truth"
    assert not (good & ~truth.exact).any(), "what the registers cannot tell is called good"
    assert columns.present.all(), "every quarter hour has at least an estimate"
    bound = (columns.flags & Flag.BOUND) != 0
    assert (columns.energy[bound] <= truth.energy[bound]).all(), "a lower bound is not above the truth"


@pytest.mark.parametrize("case", ["as it came", "one batch", "small batches", "shuffled"])
def test_bookkeeper_in_any_batches_tells_the_truth_or_says_that_it_cannot(
    tmp_path: Path, arrivals: list[Reading], truth: Truth, case: str
) -> None:
    """A1, A2, A3, A5, A6, B4, B5: rollovers, reset, silences, freeze, single zero, duplicates, late rows."""
    sizes = random.Random(7)
    readings = list(arrivals)
    if case == "shuffled":
        sizes.shuffle(readings)
    largest = {"as it came": 2000, "one batch": len(readings), "small batches": 500, "shuffled": 16_000}[case]
    columns = play(tmp_path / "s.sqlite", batched(readings, sizes, largest), truth)
    judge(columns, truth)
    whole = bulk(arrivals, truth)
    for name in ("energy", "present", "flags"):
        assert getattr(columns, name).tolist() == getattr(whole, name).tolist(), "live and bulk differ"


def bulk(arrivals: list[Reading], truth: Truth) -> Columns:
    """The same quarter hours from the whole history at once."""
    rules = begin(SITE, ZONE, None).rules
    followed = []
    for channel in CHANNELS:
        own = [r for r in arrivals if r.point == channel[0]]
        times, values = np.array([r.at_ms for r in own]), np.array([int(r.value) for r in own])
        followed.append(follow(channel, rules[channel], times, values, limits=LIMITS, interval_ms=QUARTER))
    table = interval_table(followed, QUARTER)
    assert table.start_ms.tolist() == truth.start.tolist()
    return table.columns


def test_only_the_events_are_marked(arrivals: list[Reading], truth: Truth) -> None:
    """Marked is what the registers cannot tell, and the quarter hour of the reset: its energy is right but not certain."""
    columns = bulk(arrivals, truth)
    marked = columns.flags != 0
    reset = (ms("2007-04-05T00:15:00Z") - truth.start[0]) // QUARTER
    assert np.argwhere(marked & truth.exact).tolist() == [[reset, METERS.index("sub2")]]
    assert columns.flags[reset, METERS.index("sub2")] == Flag.BOUND
    assert (int(marked.sum()), int((~truth.exact).sum()), truth.exact.size) == (46, 45, 3840)


def test_energy_over_each_event_is_conserved(arrivals: list[Reading], truth: Truth) -> None:
    """uci_..._events: the energy of a gap is known, only its shape is not."""
    columns = bulk(arrivals, truth)
    events = rows_of("uci_registers_faults_1min_events.csv")
    for event in events:
        j, since = METERS.index(event["meter"]), ms(event["ts_utc"]) - MINUTE
        until = since + (int(event["readings"]) + 1) * MINUTE
        low, high = (since - truth.start[0]) // QUARTER, -((truth.start[0] - until) // QUARTER)
        assert columns.energy[low:high, j].sum() == truth.energy[low:high, j].sum(), event
    assert len(events) == 11
    assert columns.energy.sum(axis=0).tolist() == truth.energy.sum(axis=0).tolist()


def test_what_was_decided_is_what_was_injected(arrivals: list[Reading]) -> None:
    """Three rollovers, a reset, a freeze, a single zero: no event more."""
    rules = begin(SITE, ZONE, None).rules
    results = []
    for channel in CHANNELS:
        own = [r for r in arrivals if r.point == channel[0]]
        times, values = np.array([r.at_ms for r in own]), np.array([int(r.value) for r in own])
        events = follow(channel, rules[channel], times, values, limits=LIMITS, interval_ms=QUARTER).events
        results += [(channel[0], event.kind, text(event.at_ms)) for event in events]
    assert sorted(results) == [
        ("main", "frozen", "2007-04-08T21:07:00Z"),
        ("main", "rollover", "2007-04-01T22:51:00Z"),
        ("main", "rollover", "2007-04-05T07:13:00Z"),
        ("main", "rollover", "2007-04-08T13:20:00Z"),
        ("sub1", "suspect", "2007-04-09T17:42:00Z"),
        ("sub2", "reset", "2007-04-05T00:23:00Z"),
    ]


PLAN = """\
site = { name = "house", zone = "Europe/Paris" }
limits = { point_max_w = 9000, gap_exact_s = 60 }
board = [{ name = "main" }]
source = [{ name = "house", protocol = "file" }]
point = [{ point = "main", role = "feed" }, { point = "sub1" }, { point = "sub2" }, { point = "sub3" }]
instrument = [{ point = "*", register_max_wh = 100_000, resolution_wh = 1 }]
input = [{ point = "*", source = "house", address = "{point}", register = "1.8.0", unit = "Wh" }]
"""


def test_replay_gives_the_same(tmp_path: Path, arrivals: list[Reading], truth: Truth) -> None:
    """A long CSV file in order of arrival, into a folder and into a store."""
    (tmp_path / "house.toml").write_text(PLAN)
    lines = [f"{text(r.at_ms)},{r.point},import,{int(r.value) // 1000}" for r in arrivals]
    (tmp_path / "long.csv").write_text("\n".join(["time,point,register,value", *lines, ""]))
    files = [str(tmp_path / "house.toml"), str(tmp_path / "long.csv")]
    assert main(["replay", *files, "--out", str(tmp_path / "out")]) == 0
    assert main(["replay", *files, "--into", str(tmp_path / "s.sqlite")]) == 0
    whole = bulk(arrivals, truth)
    store = SqliteStore.reader(tmp_path / "s.sqlite")
    columns = store.columns(CHANNELS, Period.INTERVAL, truth.start)
    store.close()
    assert (columns.energy.tolist(), columns.flags.tolist()) == (whole.energy.tolist(), whole.flags.tolist())
    energy, quality = (pd.read_csv(tmp_path / "out" / f"{name}_interval.csv") for name in ("energy", "quality"))
    for j, meter in enumerate(METERS):
        assert energy[f"{meter}.import_mwh"].tolist() == whole.energy[:, j].tolist()
        arguments = {0: "good", Flag.BOUND: "bound"}
        assert quality[f"{meter}.import"].tolist() == [
            arguments.get(f, "estimated") for f in whole.flags[:, j].tolist()
        ]


# -- the house without injected faults ---------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def house() -> dict[Period, Columns]:
    """Seven weeks of real minutes as registers of mWh: no reading inside a gap, exact fractions added up, rounded once."""
    minutes = rows_of("uci_house_1min.csv.gz")
    times = np.array([ms(row["ts_utc"]) for row in minutes])
    valid = np.array([row["main_w"] != "" for row in minutes])
    read = np.append(valid, True) | np.append(True, valid)  # a reading stands between two minutes, one of them valid
    at = np.append(times, times[-1] + MINUTE)[read]
    followed = []
    for j, channel in enumerate(CHANNELS):
        name = "main_w" if j == 0 else f"{channel[0]}_wh"
        sixtieths = np.array([int(row[name] or 0) * (1 if j == 0 else 60) for row in minutes], dtype=np.int64)
        shown = (np.append(0, np.cumsum(sixtieths)) * 1000 + 30) // 60
        rules = begin(SITE, ZONE, None).rules[channel]
        plain = tuple(Rule(limit_per_s=rule.limit_per_s) for rule in rules)  # mWh, no rollover
        followed.append(follow(channel, plain, at, shown[read], limits=LIMITS, interval_ms=QUARTER))
    tables = all_tables(interval_table(followed, QUARTER), ZONE, QUARTER)
    house_starts.update({period: table.start_ms for period, table in tables.items()})
    return {period: table.columns for period, table in tables.items()}


house_starts: dict[Period, Ints] = {}


@pytest.mark.parametrize(
    ("period", "name", "column", "minutes"),
    [
        (Period.INTERVAL, "quarterhour.csv.gz", "ts_utc", 15),
        (Period.HOUR, "hourly.csv.gz", "ts_utc", 60),
        (Period.DAY, "daily.csv", "local_day", None),
        (Period.MONTH, "monthly.csv", "local_month", None),
    ],
)
def test_sums_are_the_answers(
    house: dict[Period, Columns], period: Period, name: str, column: str, minutes: int | None
) -> None:
    """uci_house_1min_answers: within a milliwatt-hour wherever both boundaries were read, also around the gaps."""
    columns, start_ms = house[period], house_starts[period].tolist()
    texts = [text(s) if minutes else label(period, s, ZONE) for s in start_ms]
    rows = {row[column]: row for row in rows_of(f"uci_house_1min_answers_{name}")}
    assert set(texts) == set(rows)
    compared = 0
    for i, word in enumerate(texts):
        row = rows[word]
        for j, meter in enumerate(METERS):
            if columns.present[i, j] and columns.flags[i, j] == 0:
                assert abs(columns.energy[i, j] - float(row[f"{meter}_wh"]) * 1000) <= 1.001, (word, meter)
                compared += 1
            else:
                gap = minutes is not None and float(row["valid_minutes"]) < minutes
                first_or_last = period in (Period.DAY, Period.MONTH)  # a period that the file does not cover
                assert gap or first_or_last, (word, meter)
    expected = {Period.INTERVAL: 4 * 4455, Period.HOUR: 4 * 1113, Period.DAY: 4 * 46, Period.MONTH: 4}
    assert compared == expected[period]


def test_peaks_are_the_answers(house: dict[Period, Columns]) -> None:
    """uci_house_1min_answers_peaks: highest quarter-hour mean per month and of all, the first of equals."""
    columns, start = house[Period.INTERVAL], house_starts[Period.INTERVAL]
    months = np.array([label(Period.MONTH, s, ZONE) for s in start.tolist()])
    good = columns.present & (columns.flags == 0)
    rows = rows_of("uci_house_1min_answers_peaks.csv")
    for row in rows:
        j = METERS.index(row["meter"])
        wanted = good[:, j] & ((months == row["local_month"]) | (row["local_month"] == "all"))
        peak = maximum_demand(columns.energy[:, j], wanted, QUARTER)
        assert peak is not None
        assert text(int(start[peak[0]])) == row["quarter_start_utc"]
        assert peak[1] == pytest.approx(float(row["peak_kw"]) * 1000, abs=0.0041)  # a mWh in a quarter hour
    assert len(rows) == 16
