"""A lost string in the running daemon: four months of three given arrays in its store, then its topic and its page.

The arrays: `tests/data/pv_planted.parquet`; a third of the first one is missing from 2022-05-10 on.
"""

import json
import re
import time
from pathlib import Path

import numpy as np
import pyarrow.parquet as pq
import pytest

from meterd.adapters.planfile.loader import load_plan
from meterd.adapters.runtime.clock import WallClock
from meterd.app.cli.main import main
from meterd.core.model.reading import EXPORT, IMPORT
from tests.acceptance.site_a import write_wide
from tests.brokers import Mosquitto, until
from tests.faults.page_client import asked
from tests.faults.test_b_broker import hearing

pytestmark = pytest.mark.slow
LIMIT_S = 60.0
QUARTER, DAY = 900_000, 96
FIRST, LAST = 385, 510  # days of the given table: 2022-01-21 until 2022-05-26
LATER = 1461 * 86_400_000  # four years: the sun stands as it did, and no clock of a daemon is so far back
ROOFS = ("roof-1", "roof-2", "roof-3")
PLAN = """\
site = {{ name = "mill", zone = "Europe/Berlin" }}
broker = {{ host = "127.0.0.1", port = {port} }}
limits = {{ gap_exact_s = 900, drift_pause_s = 1 }}
page = {{ port = 0 }}
source = [{{ name = "meters" }}]
board = [{{ name = "main", rating_kva = 400 }}]
point = [
    {{ point = "t1", role = "feed" }},
    {{ point = "q01" }},
    {{ point = "roof-1", role = "pv" }},
    {{ point = "roof-2", role = "pv" }},
    {{ point = "roof-3", role = "pv" }},
]
[[input]]
point = "*"
address = "m/{{point}}"
fields = {{ "1.8.0" = "/import" }}
[[input]]
point = "t1"
address = "m/t1"
fields = {{ "2.8.0" = "/export" }}
"""


def imported(
    folder: Path, port: int, first: int = FIRST, last: int = LAST, part: np.ndarray | None = None
) -> tuple[Path, Path, int]:
    """Plan, store and end of a history of some days; of the second array a part of each slot."""
    plan, store = folder / "mill.toml", folder / "mill.sqlite"
    plan.write_text(PLAN.format(port=port))
    table = pq.read_table(Path(__file__).parents[1] / "data" / "pv_planted.parquet")
    rows = slice(first * DAY, last * DAY)
    begin = int(np.datetime64(table["ts_utc"][first * DAY].as_py().replace(tzinfo=None), "ms").astype(np.int64))
    times = begin + LATER + QUARTER * np.arange((last - first) * DAY + 1, dtype=np.int64)
    energies = [np.rint(table[f"pv{n}_kw"].to_numpy()[rows].astype(np.float64) * 250_000) for n in (1, 2, 3)]
    if part is not None:
        energies[1] = np.rint(energies[1] * part)
    total = np.sum(energies, axis=0)
    load = np.full(len(total), 500_000.0)
    shown = {(name, IMPORT): energy for name, energy in zip(ROOFS, energies, strict=True)}
    shown |= {("q01", IMPORT): load}
    shown |= {("t1", IMPORT): np.maximum(load - total, 0), ("t1", EXPORT): np.maximum(total - load, 0)}
    registers = {channel: np.append(0, np.cumsum(energy)).astype(np.int64) for channel, energy in shown.items()}
    columns = write_wide(folder / "year.parquet", times, registers)
    assert main(["replay", str(plan), str(folder / "year.parquet"), "--into", str(store), *columns]) == 0
    return plan, store, int(times[-1])


def test_a_lost_string_is_told_on_topic_and_page_in_both_languages(tmp_path: Path) -> None:
    """Which array, how much, since when; what to do; the other arrays are as they should be."""
    with Mosquitto() as broker, hearing(broker, "energy/mill/#") as seen:
        plan, store, end_ms = imported(tmp_path, broker.port)
        ahead = end_ms + 300_000 - time.time_ns() // 1_000_000
        clock = WallClock(lambda: time.time_ns() // 1_000_000 + ahead)
        with asked(load_plan(plan).site, store, clock) as client:
            assert client.has("pv-loss-roof-1", LIMIT_S)
            topic = "energy/mill/finding/pv-loss-roof-1"
            assert until(lambda: seen.get(topic, [b""])[-1], LIMIT_S)
            reported = json.loads(seen[topic][-1])
            assert "roof-1 gives 3" in reported["text"]
            assert reported["text"].endswith("less than before under a clear sky, since 2026-05-15")
            names = [name for name in client.findings() if name.startswith("pv-")]
            assert names == ["pv-loss-roof-1"]
            assert client.html("pv", "de").count("gegen die anderen Felder beurteilt") == 3
            for language, sentence in (("en", "A loss of about 8 % and more"), ("de", "Ein Verlust ab etwa 8 %")):
                assert client.html("pv", language).count(sentence) == 3
            page = client.html("findings", "de", id="pv-loss-roof-1")
            assert "% weniger als zuvor, seit" in page
            assert "gegen die anderen Felder" in page
            assert "Gleichspannung bleibt" in page


def test_shade_that_has_grown_since_the_year_before_is_told_with_its_hours(tmp_path: Path) -> None:
    """A tree east of the second array: before 10 UTC it gives less with every week. The first one has lost its string."""
    first, last = 95, 521
    grown = np.clip((np.arange(first, last) - 100) / 500, 0, 1)[:, None]
    part = 1 - 0.6 * grown * (np.arange(DAY) < 40)
    with Mosquitto() as broker:
        plan, store, end_ms = imported(tmp_path, broker.port, first, last, part.ravel())
        ahead = end_ms + 300_000 - time.time_ns() // 1_000_000
        clock = WallClock(lambda: time.time_ns() // 1_000_000 + ahead)
        with asked(load_plan(plan).site, store, clock) as client:
            assert client.has("pv-loss-roof-2", 2 * LIMIT_S)
            reported = client.findings()["pv-loss-roof-2"]["text"]
            assert re.fullmatch(
                r"roof-2 gives 3\d % less than a year before between [67]:\d0 and 11:00 o'clock .*", reported
            )
            assert sorted(name for name in client.findings() if name.startswith("pv-")) == [
                "pv-loss-roof-1",
                "pv-loss-roof-2",
            ]
            page = client.html("findings", "de", id="pv-loss-roof-2")
            assert "% weniger als ein Jahr zuvor" in page
            assert "seine anderen Stunden sind wie zuvor" in page
