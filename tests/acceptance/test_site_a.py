"""A year of a solved site: folder, store and the running daemon give the same bits, and they are the published answers."""

import signal
import subprocess
import sys
import threading
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import paho.mqtt.client as paho
import pandas as pd
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from meterd.adapters.store.journal import SqliteStore
from meterd.app.cli.main import main
from meterd.core.model.periods import Period, bounds, label, text, to_ms
from tests.acceptance import site_a
from tests.acceptance.site_a import CHANNELS, DATA, QUARTER
from tests.acceptance.stored_figures import Tables, from_folder, from_store, same
from tests.brokers import Mosquitto, until
from tests.table_digests import assert_tables

pytestmark = pytest.mark.slow

ZONE = ZoneInfo("Europe/Berlin")
UNKNOWN = 16  # MQTT 5, 3.4.2.1: accepted, but nobody has subscribed


@pytest.fixture(scope="module")
def year() -> Any:
    """Times and registers of the year."""
    return site_a.registers()


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory, year: Any) -> Tables:
    """The year replayed into a folder of Parquet tables."""
    work = tmp_path_factory.mktemp("folder")
    plan = site_a.write_plan(work / "plan")
    columns = site_a.write_wide(work / "year.parquet", *year)
    files = [str(work / "year.parquet"), "--out", str(work / "out"), "--format", "parquet"]
    assert main(["replay", str(plan), *files, *columns]) == 0
    frames = from_folder(work / "out", "main", span(year[0]))
    frames["peaks"] = pd.read_parquet(work / "out" / "maximum_demand_month.parquet")
    return frames


def span(times: Any) -> tuple[int, int]:
    return int(times[0]), int(times[-1])


# -- (a) and (b) are the same ------------------------------------------------------------------------------------------


def test_store_of_a_replay_is_the_folder_bit_by_bit(tmp_path: Path, year: Any, folder: Tables) -> None:
    """Every interval, hour, day, week, month, year, balance and PV figure of the year; and every table is that of before."""
    plan = site_a.write_plan(tmp_path / "plan")
    columns = site_a.write_wide(tmp_path / "year.parquet", *year)
    store = tmp_path / "year.sqlite"
    assert main(["replay", str(plan), str(tmp_path / "year.parquet"), "--into", str(store), *columns]) == 0
    compare(from_store(store, ZONE, CHANNELS, "main", span(year[0])), folder, span(year[0]))
    assert_tables("year", store)


def compare(frames: Tables, folder: Tables, within: tuple[int, int]) -> None:
    """All tables of a span of time, whose last quarter hour is known."""
    expected = {}
    for name, table in folder.items():
        if name != "peaks":
            ends = [bounds(Period(name.split()[1]), int(s), ZONE, QUARTER)[1] for s in table["start"]]
            rows = (table["start"] >= within[0]) & (np.array(ends, dtype=np.int64) <= within[1])
            expected[name] = table[rows].reset_index(drop=True)
    same(frames, expected)
    quarters = (within[1] - within[0]) // QUARTER
    assert expected["energy interval"].notna().all(axis=1).sum() == quarters == len(frames["pv interval"])
    assert len(expected["balance month"]) == len(frames["energy month"]) == round(quarters / (30.4 * 96))


# -- the daemon --------------------------------------------------------------------------------------------------------


class Meters:
    """A client that publishes with QoS 1."""

    def __init__(self, port: int) -> None:
        self._client = paho.Client(CallbackAPIVersion.VERSION2, "meters", protocol=paho.MQTTv5)
        self._client.max_inflight_messages_set(500)
        self._client.on_publish = self._confirmed
        self._heard = threading.Event()
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()

    def _confirmed(self, _client: Any, _data: Any, _mid: int, reason: Any, _properties: Any) -> None:
        if reason.value != UNKNOWN:
            self._heard.set()

    def send(self, payload: bytes) -> None:
        self._client.publish(site_a.TOPIC, payload, qos=1)

    def heard(self, payload: bytes) -> bool:
        """Send, and whether somebody has subscribed."""
        self._heard.clear()
        self._client.publish(site_a.TOPIC, payload, qos=1).wait_for_publish(5)
        return self._heard.wait(0.2)

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


@pytest.fixture
def broker() -> Iterator[Mosquitto]:
    with Mosquitto("max_queued_messages 0\nmax_inflight_messages 1000", persistent=False) as running:
        yield running


def kept(store: Path, closed_to: int) -> int:
    """How many readings the daemon has kept, once it has closed its intervals up to a moment."""
    if not store.exists():
        return 0
    reader = SqliteStore.reader(store)
    count = reader.reading_count() if int(reader.fact("closed_to_ms") or 0) >= closed_to else 0
    reader.close()
    return count


def run_daemon(plan: Path, store: Path, times: Any, payloads: list[bytes], port: int) -> None:
    """Send all messages to a daemon of its own process, and end it in order once the last interval is closed."""
    texts = ["run", str(plan), "--store", str(store), "--trial-from", text(int(times[0]))]
    with subprocess.Popen([sys.executable, "-m", "meterd.app.cli.main", *texts], stderr=subprocess.PIPE) as daemon:
        meters = Meters(port)
        try:
            assert until(lambda: meters.heard(payloads[0]), 30.0), "the daemon does not subscribe"
            for payload in payloads:  # as fast as they go: what the daemon has not taken yet waits at the broker
                meters.send(payload)
            # a broker may send what it was slow with after newer messages: the end is where all have come
            closed_to, everything = int(times[-1]), len(payloads) * len(CHANNELS)
            if not until(lambda: kept(store, closed_to) == everything, 240.0):
                daemon.send_signal(signal.SIGTERM)
                reported = daemon.communicate(timeout=30)[1].decode()
                pytest.fail(f"{kept(store, closed_to)} readings are kept instead of {everything}\n{reported}")
        finally:
            meters.close()
            daemon.send_signal(signal.SIGTERM)
            errors = daemon.communicate(timeout=30)[1]
        assert daemon.returncode == 0, errors.decode()


def test_daemon_behind_a_real_broker_is_the_folder_bit_by_bit(
    tmp_path: Path, year: Any, folder: Tables, broker: Mosquitto
) -> None:
    """The last weeks as messages, one per quarter hour, in accelerated time: a clock change, ends of months and the year's."""
    first = int(np.searchsorted(year[0], to_ms(datetime(2016, 10, 24, tzinfo=ZONE))))
    times, shown = year[0][first:], {channel: values[first:] for channel, values in year[1].items()}
    plan, store = site_a.write_plan(tmp_path / "plan", broker.port), tmp_path / "live.sqlite"
    payloads = list(site_a.messages(times, shown))
    # a minute later the year is over for the daemon too
    closing = next(site_a.messages(times[-1:] + 60_000, {c: values[-1:] for c, values in shown.items()}))
    run_daemon(plan, store, times, [*payloads, closing], broker.port)
    compare(from_store(store, ZONE, CHANNELS, "main", span(times)), folder, span(times))


# -- against the answers -----------------------------------------------------------------------------------------------


def answers(name: str) -> pd.DataFrame:
    return pd.read_csv(DATA / f"siteA_answers_{name}")


def matches(frames: Tables, period: Period, expected: pd.DataFrame, keys: "pd.Series[Any]") -> None:
    """Energies and PV self-use within half a milliwatt-hour per quarter hour, which is what rounding may take."""
    energy, pv = frames[f"energy {period}"], frames[f"pv {period}"]
    place = energy.reset_index().set_index("start")["index"]
    rows = place.reindex(keys.to_numpy()).to_numpy()
    assert not np.isnan(rows).any(), "the answers name a period that we do not have"
    rows = rows.astype(int)
    length = np.array([bounds(period, int(s), ZONE, QUARTER) for s in keys])
    quarters = (length[:, 1] - length[:, 0]) // QUARTER
    if "quarter_hours" in expected:
        assert quarters.tolist() == expected["quarter_hours"].tolist()
    pairs = {register: (energy[register], column) for register, column in site_a.columns().items()}
    pairs["self-use"] = (pv["self_use"], "pv_self_used_kwh")
    pairs["consumption"] = (pv["consumption"], "consumption_kwh")
    for name, (ours, column) in pairs.items():
        wanted = expected[column].to_numpy() if column in expected else 0.0  # feeders that never export have no column
        difference = ours.to_numpy(dtype=np.float64)[rows] - wanted * 1e6
        allowed = quarters * (1.5 if name in ("self-use", "consumption") else 0.5) + 1e-3
        assert (np.abs(difference) <= allowed).all(), f"{name} per {period}: {np.abs(difference).max()} mWh"


def test_hours_are_the_answers(folder: Tables) -> None:
    """siteA_answers_hourly: import and export apart, PV self-use netted per quarter hour."""
    expected = answers("hourly.csv.gz")
    keys = pd.to_datetime(expected["ts_utc"]).dt.as_unit("ms").astype("int64")
    assert len(keys) == 8784
    matches(folder, Period.HOUR, expected, keys)


@pytest.mark.parametrize(("period", "name", "column"), [(Period.DAY, "daily.csv", "local_day"),
                                                        (Period.MONTH, "monthly.csv", "local_month")])  # fmt: skip
def test_days_and_months_are_the_answers(folder: Tables, period: Period, name: str, column: str) -> None:
    """siteA_answers_daily (with the days of 92 and 100 quarter hours) and siteA_answers_monthly."""
    expected = answers(name)
    results = {label(period, int(s), ZONE): int(s) for s in folder[f"energy {period}"]["start"]}
    assert list(results) == expected[column].tolist()
    matches(folder, period, expected, expected[column].map(results))
    if period is Period.DAY:
        odd = {row.local_day: row.quarter_hours for row in expected.itertuples() if row.quarter_hours != 96}
        assert odd == {"2016-03-27": 92, "2016-10-30": 100}


def test_the_year_is_the_answer(folder: Tables) -> None:
    """siteA_answers_year: import 454,278.521 kWh, export 2,464.117 kWh, PV 89,486.894 kWh."""
    expected = answers("year.csv")
    energy = folder["energy year"]
    matches(folder, Period.YEAR, expected, energy["start"])
    rounded = [round(int(energy[c].iloc[0]) / 1e6, 3) for c in ("grid.import", "grid.export", "pv.import")]
    assert rounded == [454_278.521, 2_464.117, 89_486.894]


def test_netting_per_hour_would_hide_export(folder: Tables) -> None:
    """Export is summed from quarter hours: netted per hour it would be 2,152.514 kWh instead of 2,464.117."""
    hours = folder["energy hour"]
    netted = (hours["grid.export"] - hours["grid.import"]).clip(lower=0).sum()
    assert round(int(netted) / 1e6, 3) == 2_152.514


def test_peaks_are_the_answers(folder: Tables) -> None:
    """siteA_answers_peaks: highest mean of a quarter hour per month; of the year 181.2549 kW at 2016-01-22T07:00Z."""
    peaks, expected = folder["peaks"], answers("peaks.csv")
    names = {"import": "grid.import", "export": "grid.export", "pv": "pv.import"}
    for quantity, register in names.items():
        ours = peaks[peaks["register"] == register].reset_index(drop=True)
        wanted = expected[(expected["quantity"] == quantity)].reset_index(drop=True)
        months = wanted[wanted["local_month"] != "all"]
        starts = ours["interval_start"].dt.strftime("%Y-%m-%dT%H:%M:%SZ")
        some = months["peak_kw"].to_numpy() > 0
        assert len(ours) == len(months) == 12
        assert starts[some].tolist() == months["quarter_start_utc"][some].tolist()
        assert np.abs(ours["demand_w"] / 1000 - months["peak_kw"]).max() <= 2e-6  # half a mWh in a quarter hour
    top = peaks[peaks["register"] == "grid.import"].sort_values("demand_w").iloc[-1]
    assert text(to_ms(top["interval_start"].to_pydatetime())) == "2016-01-22T07:00:00Z"
    assert round(top["demand_w"] / 1000, 4) == 181.2549


def test_every_balance_closes(folder: Tables) -> None:
    """Main and feeders are solved to 1e-8 kW: every residual is rounding alone, inside the band, nothing estimated."""
    for period in Period:
        table = folder[f"balance {period}"]
        whole = table[table["residual"].notna()]
        assert (whole["verdict"] == "inside").all()
        assert not whole["estimated"].any()
        quarters = 1 if period is Period.INTERVAL else np.array(
            [(b - a) // QUARTER for a, b in (bounds(period, int(s), ZONE, QUARTER) for s in whole["start"])]
        )  # fmt: skip
        assert (whole["residual"].abs().to_numpy(dtype=np.float64) <= 4.1 * quarters).all()
    assert len(folder["balance interval"]) == 35_136
    assert folder["balance interval"]["residual"].notna().all()
    assert folder["balance year"]["verdict"].tolist() == ["inside"]
    for point in ("grid", *site_a.FEEDERS):
        register = folder["energy interval"][f"{point}.import"] - folder["energy interval"][f"{point}.export"]
        moved = (folder["balance interval"][f"reconciled.{point}"] - register).abs()
        assert moved.max() <= 4, "what closes the balance moves a flow by no more than the residual"
