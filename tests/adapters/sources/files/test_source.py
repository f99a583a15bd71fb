"""History files give the same integers as reading cell by cell, in any order of columns and rows; bad cells are named."""

import gzip
import queue
import random
import threading
from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from meterd.adapters.sources import Delivery
from meterd.adapters.sources.files import source as files
from meterd.adapters.sources.files.source import FileSource, open_history
from meterd.core.errors import ConfigError, SourceError
from meterd.core.model.periods import text, to_ms
from meterd.core.model.plan import Board, Input, Point, Role, Site, Source
from meterd.core.model.reading import milli
from tests.brokers import until

START_MS = 1_767_225_600_000  # 2026-01-01T00:00:00Z
STEP_MS = 900_000


def site(**options: str | float) -> Site:
    points = (Point("main", "b", Role.FEED), Point("q01", "b", Role.FEEDER, aliases=("old-q01",)))
    inputs = (
        Input("main", "1.8.0", "history", "main_kwh", unit="kWh"),
        Input("q01", "1.8.0", "history", "q01_kwh", unit="kWh", scale=0.1),
        Input("q01", "16.7.0", "history", "q01_kw", unit="kW"),
    )
    source = Source("history", "file", tuple(options.items()))
    return Site("harrow-mill", "Europe/London", boards=(Board("b"),), points=points, inputs=inputs, sources=(source,))


def wide_rows(count: int) -> list[tuple[int, str, str, str]]:
    return [(START_MS + n * STEP_MS, f"{1000 + n * 0.1:.3f}", f"{n * 7}", f"{-n / 8}") for n in range(count)]


def write_wide(path: Path, rows: list[tuple[int, str, str, str]]) -> Path:
    lines = ["q01_kw,main_kwh,time,unused,q01_kwh"]
    lines += [f"{kw},{main},{text(at)},x,{q01}" for at, main, q01, kw in rows]
    body = "\n".join([*lines, ""])
    if path.suffix == ".gz":
        path.write_bytes(gzip.compress(body.encode()))
    else:
        path.write_text(body)
    return path


def expected(rows: list[tuple[int, str, str, str]]) -> dict[tuple[str, str], list[tuple[int, float]]]:
    return {
        ("main", "1.8.0"): [(at, milli(float(main), 1000.0)) for at, main, _, _ in rows],
        ("q01", "1.8.0"): [(at, milli(float(q01), 1000.0 * 0.1)) for at, _, q01, _ in rows],
        ("q01", "16.7.0"): [(at, float(kw) * 1000.0) for at, _, _, kw in rows],
    }


def everything(paths: list[Path], plan: Site) -> dict[tuple[str, str], list[tuple[int, float]]]:
    with open_history(paths, plan, "history") as history:
        results = {}
        for channel in history.channels():
            at_ms, values, refusals = history.column(*channel)
            assert at_ms.dtype == np.int64
            assert values.dtype == (np.int64 if channel[1] == "1.8.0" else np.float64)
            assert refusals.count == 0
            results[channel] = list(zip(at_ms.tolist(), values.tolist(), strict=True))
        return results


@pytest.mark.parametrize("name", ["a.csv", "a.csv.gz"])
def test_wide_csv_gives_milli_units_per_register(tmp_path: Path, name: str) -> None:
    rows = wide_rows(500)
    assert everything([write_wide(tmp_path / name, rows)], site()) == expected(rows)


def test_several_files_are_one_history(tmp_path: Path) -> None:
    rows = wide_rows(100)
    paths = [write_wide(tmp_path / "a.csv", rows[:60]), write_wide(tmp_path / "b.csv.gz", rows[60:])]
    assert everything(paths, site()) == expected(rows)


def wide_parquet(path: Path, rows: list[tuple[int, str, str, str]], time: pa.Array) -> Path:
    columns = {"time": time} | {
        name: pa.array([float(row[number]) for row in rows])
        for number, name in ((1, "main_kwh"), (2, "q01_kwh"), (3, "q01_kw"))
    }
    pq.write_table(pa.table(columns), path, row_group_size=37)
    return path


@pytest.mark.parametrize("kind", ["us-utc", "ms-utc", "ns-utc", "text", "epoch-s", "epoch-ns"])
def test_wide_parquet_gives_the_same_whatever_the_times_are(tmp_path: Path, kind: str) -> None:
    rows = wide_rows(200)
    ms = np.array([row[0] for row in rows])
    unit, _, tail = kind.partition("-")
    if kind == "text":
        time = pa.array([text(at) for at in ms.tolist()])
    elif unit == "epoch":
        time = pa.array(ms // 1000 if tail == "s" else ms * 1_000_000)
    else:
        time = pa.array(ms).cast(pa.timestamp("ms", tz="UTC")).cast(pa.timestamp(unit, tz="UTC"))
    plan = site(time_unit=tail) if unit == "epoch" else site()
    assert everything([wide_parquet(tmp_path / "a.parquet", rows, time)], plan) == expected(rows)


def long_table(rows: list[tuple[int, str, str, str]]) -> list[tuple[str, str, str, str, str]]:
    lines = []
    for at, main, q01, kw in rows:
        stamp = text(at)
        lines += [(stamp, "main", "1.8.0", main, "kWh"), (stamp, "old-q01", "import", q01, "kWh")]
        lines += [(stamp, "q01", "power", str(float(kw) * 1000), "W")]
    random.Random(7).shuffle(lines)
    return lines


@pytest.mark.parametrize("suffix", ["csv", "parquet"])
@pytest.mark.parametrize("with_unit", [True, False])
def test_long_table_in_any_order_gives_the_same(tmp_path: Path, suffix: str, with_unit: bool) -> None:
    rows = wide_rows(150)
    lines = long_table(rows)
    path = tmp_path / f"a.{suffix}"
    order = ("value", "point", "time", "register", "unit") if with_unit else ("register", "time", "value", "point")
    names = ("time", "point", "register", "value", "unit")
    if not with_unit:  # the plan's unit of the power is kW
        lines = [
            (at, point, register, str(float(value) / 1000) if register == "power" else value, unit)
            for at, point, register, value, unit in lines
        ]
    cells = {name: [line[number] for line in lines] for number, name in enumerate(names)}
    if suffix == "parquet":
        typed = {name: pa.array(cells[name]) for name in order if name != "value"}
        pq.write_table(pa.table({**typed, "value": pa.array([float(cell) for cell in cells["value"]])}), path)
    else:
        body = [",".join(order), *(",".join(row) for row in zip(*(cells[name] for name in order), strict=True))]
        path.write_text("\n".join(body))
    results = {channel: sorted(series) for channel, series in everything([path], site()).items()}
    for channel, series in expected(rows).items():
        assert [at for at, _ in results[channel]] == [at for at, _ in series]
        tolerance = 0 if channel[1] == "1.8.0" else 1e-12  # W divided by 1000 and multiplied again
        assert [value for _, value in results[channel]] == pytest.approx([value for _, value in series], rel=tolerance)


def test_bad_cells_are_named_with_file_row_and_column_and_empty_ones_are_missing(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    bad = ["NaN", "inf", "1e400", "true", "null", "12,5".replace(",", ";"), "1_000", "１２", "0x10", "1 2", "9e15"]
    lines = ["time,main_kwh,q01_kwh"]
    lines += [f"{text(START_MS + n * STEP_MS)},{cell},{n}" for n, cell in enumerate([*bad, "", "  ", "-0.0", "+5"])]
    lines += ["yesterday,1,2", "1970-01-01T00:00:00Z,1,2", ",1,2", "1,2,3,4"]
    path.write_text("\n".join(lines))
    with open_history([path], site(), "history") as history:
        at_ms, values, refusals = history.column("main", "1.8.0")
        assert values.tolist() == [0, 5_000_000]
        assert at_ms.tolist() == [START_MS + 13 * STEP_MS, START_MS + 14 * STEP_MS]
        assert refusals.count == len(bad) + 3
        assert [refusal.sample for refusal in refusals.samples[:2]] == ["NaN", "inf"]
        assert refusals.samples[0].reason == "a.csv, row 2, column main_kwh: NaN or infinite is no number"
        assert any("row 17" in refusal.reason and "RFC 3339" in refusal.reason for refusal in refusals.samples)
        assert any("1990" in refusal.reason for refusal in refusals.samples)
        assert any("no time" in refusal.reason for refusal in refusals.samples)
        assert history.column("q01", "1.8.0")[2].count == 3
        assert history.odd_rows == 1


def test_nan_in_parquet_is_refused_and_null_is_missing(tmp_path: Path) -> None:
    at = pa.array([START_MS + n for n in range(4)]).cast(pa.timestamp("ms", tz="UTC"))
    pq.write_table(
        pa.table({"time": at, "main_kwh": pa.array([1.0, float("nan"), None, float("inf")])}), tmp_path / "a.pq"
    )
    with open_history([tmp_path / "a.pq"], site(), "history") as history:
        for _ in range(2):  # asked again, the same is reported
            _at, values, refusals = history.column("main", "1.8.0")
            assert values.tolist() == [1_000_000]
            assert refusals.count == 2
        assert history.column("main", "2.8.0")[1].tolist() == []


@pytest.mark.parametrize(
    ("column", "values"), [("int64", [1, 2]), ("int16", [1, 2]), ("uint64", [1, 2]), ("float32", [1.0, 2.0])]
)
def test_numeric_types_of_parquet_are_read(tmp_path: Path, column: str, values: list[float]) -> None:
    at = pa.array([START_MS, START_MS + 1]).cast(pa.timestamp("ms", tz="UTC"))
    pq.write_table(pa.table({"time": at, "main_kwh": pa.array(values, column)}), tmp_path / "a.parquet")
    with open_history([tmp_path / "a.parquet"], site(), "history") as history:
        assert history.column("main", "1.8.0")[1].tolist() == [1_000_000, 2_000_000]


def test_unit_that_does_not_fit_and_names_the_plan_does_not_know_are_reported(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    at = text(START_MS)
    path.write_text(
        f"time,point,register,value,unit\n{at},main,import,1,W\n{at},main,import,2,\n{at},who,import,1,Wh\n"
        f"{at},main,9.9.9,1,Wh\n{at},main,export,3,Wh\n"
    )
    with open_history([path], site(), "history") as history:
        _at, values, refusals = history.column("main", "1.8.0")
        assert values.tolist() == [2_000_000]  # a row without unit is in the unit of the plan
        assert "unit 'W' does not fit" in refusals.samples[0].reason
        assert history.strangers == {"who": 1, "main register 9.9.9": 1}
        assert history.column("main", "2.8.0")[1].tolist() == [3000]


def test_explicit_columns_need_no_address(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_text(f"time,Leistung,Zaehler\n{text(START_MS)},2,5\n")
    columns = {"Leistung": ("main", "16.7.0"), "Zaehler": ("q01", "1.8.0")}
    with open_history([path], site(), "history", columns=columns) as history:
        assert history.column("main", "16.7.0")[1].tolist() == [2.0]
        assert history.column("q01", "1.8.0")[1].tolist() == [500_000]


# --- local times ----------------------------------------------------------------------------------------------------


def test_c9_repeated_hour_is_distinguished_by_order_and_the_skipped_one_is_refused(tmp_path: Path) -> None:
    # Europe/Berlin 2026: clocks go forward on 29 March at 01:00 UTC and back on 25 October at 01:00 UTC
    zone = ZoneInfo("Europe/Berlin")
    begin = to_ms(datetime(2026, 10, 24, 22, tzinfo=UTC))
    stamps = [begin + n * STEP_MS for n in range(100)]
    local = [datetime.fromtimestamp(at / 1000, zone).replace(tzinfo=None) for at in stamps]
    path = tmp_path / "a.csv"
    lines = [f"{moment:%Y-%m-%d %H:%M},{n}" for n, moment in enumerate(local)]
    path.write_text("\n".join(["time,main_kwh", *lines, "2026-03-29 02:30,7", "2026-03-29T03:00:00+02:00,8"]))
    with open_history([path], site(zone="Europe/Berlin"), "history") as history:
        at_ms, _values, refusals = history.column("main", "1.8.0")
        assert at_ms.tolist() == stamps
        assert [refusal.reason.rpartition(": ")[2][:20] for refusal in refusals.samples] == [
            "local time that the ",
            "time with an offset ",
        ]


def test_c9_naive_parquet_times_follow_the_zone_and_are_refused_without_one(tmp_path: Path) -> None:
    naive = pa.array(np.arange("2026-07-01T00", "2026-07-01T03", dtype="datetime64[h]").astype("datetime64[us]"))
    pq.write_table(pa.table({"time": naive, "main_kwh": pa.array([1, 2, 3])}), tmp_path / "a.parquet")
    with open_history([tmp_path / "a.parquet"], site(zone="Asia/Kolkata"), "history") as history:
        first = to_ms(datetime(2026, 6, 30, 18, 30, tzinfo=UTC))
        assert history.column("main", "1.8.0")[0].tolist() == [first + n * 3_600_000 for n in range(3)]
    with (
        open_history([tmp_path / "a.parquet"], site(), "history") as history,
        pytest.raises(SourceError, match="set zone"),
    ):
        history.column("main", "1.8.0")


# --- the fast ways against the slow ones ----------------------------------------------------------------------------


# --- faults of files and options ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "body", "reason"),
    [
        ("a.csv", b"t,main_kwh\n", "no column 'time'"),
        ("a.csv", b"time,other\n", "none of its columns"),
        ("a.csv", b"time,main_kwh,main_kwh\n", "occurs twice"),
        ("a.csv", b"", "no column 'time'"),
        ("a.csv", b"time,main_kwh\n2026-01-01T00:00:00Z,\xff\n", "cannot read"),
        ("a.csv.gz", b"no gzip", "cannot read"),
        ("a.csv.gz", gzip.compress(b"time,main_kwh\n" + b"2026-01-01T00:00:00Z,1\n" * 9000)[:-20], "cannot read"),
        ("a.parquet", b"no parquet", "cannot read"),
        ("missing.csv", None, "cannot read"),
    ],
)
def test_file_that_cannot_be_used_is_refused_in_words(
    tmp_path: Path, name: str, body: bytes | None, reason: str
) -> None:
    if body is not None:
        (tmp_path / name).write_bytes(body)
    with pytest.raises(SourceError, match=reason):
        open_history([tmp_path / name], site(), "history").close()


def test_wrong_types_and_options_are_refused_in_words(tmp_path: Path) -> None:
    at = pa.array([START_MS]).cast(pa.timestamp("ms", tz="UTC"))
    pq.write_table(pa.table({"time": at, "main_kwh": pa.array([True])}), tmp_path / "a.parquet")
    with open_history([tmp_path / "a.parquet"], site(), "history") as history, pytest.raises(SourceError, match="bool"):
        history.column("main", "1.8.0")
    pq.write_table(pa.table({"time": pa.array([1]), "main_kwh": pa.array([1])}), tmp_path / "b.parquet")
    with (
        open_history([tmp_path / "b.parquet"], site(), "history") as history,
        pytest.raises(SourceError, match="time_unit"),
    ):
        history.column("main", "1.8.0")
    for options, reason in (
        ({"zone": "Mars/Base"}, "zone 'Mars/Base'"),
        ({"time_unit": "h"}, "time_unit must be"),
        ({"colour": "red"}, "unknown option colour"),
        ({"delimiter": 5}, "option delimiter must be like"),
        ({"delimiter": ";;"}, "one character"),
    ):
        with pytest.raises(ConfigError, match=reason):
            open_history([tmp_path / "a.parquet"], site(**options), "history")  # type: ignore[arg-type]
    with pytest.raises(SourceError, match="no history file"):
        open_history([], site(), "history")


# --- the folder as a live source ------------------------------------------------------------------------------------


class Taken:
    """Collects deliveries; refuses the first `full` of them as a loop with a full queue does."""

    def __init__(self, full: int = 0) -> None:
        self.readings: list[tuple[str, str, int, float]] = []
        self._full = full

    def __call__(self, delivery: Delivery) -> None:
        if self._full:
            self._full -= 1
            raise queue.Full
        self.readings += [(r.point, r.register, r.at_ms, r.value) for r in delivery.readings]


def now() -> int:
    return START_MS + 365 * 86_400_000


def test_grown_file_delivers_only_whole_new_lines(tmp_path: Path) -> None:
    source = FileSource(site(path=str(tmp_path)).sources[0], site(path=str(tmp_path)), clock=now)
    taken, path = Taken(), tmp_path / "a.csv"
    path.write_text("time,main_kwh\n2026-01-01T00:00:00Z,1\n2026-01-01T00:15:00Z,2")
    source.poll(taken)
    source.poll(taken)
    assert taken.readings == [("main", "1.8.0", START_MS, 1_000_000)]
    with path.open("a") as out:
        out.write("5\n2099-01-01T00:00:00Z,9\n2026-01-01T00:30:00Z,bad\n")
    source.poll(taken)
    assert taken.readings[1:] == [("main", "1.8.0", START_MS + STEP_MS, 25_000_000)]
    assert (source.counters()["future"], source.counters()["refused_values"]) == (1, 2)
    path.write_text("time,q01_kw\n2026-01-01T00:00:00Z,3\n")
    source.poll(taken)
    assert taken.readings[2:] == [("q01", "16.7.0", START_MS, 3000.0)]


def test_endless_line_is_reported_and_passed_over(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(files, "READ_BYTES", 64)
    source = FileSource(site(path=str(tmp_path)).sources[0], site(path=str(tmp_path)), clock=now)
    taken, path = Taken(), tmp_path / "a.csv"
    path.write_text("time,main_kwh\n2026-01-01T00:00:00Z,1\n" + "x" * 200)
    for _ in range(3):
        source.poll(taken)
    assert "a line of more than 64 bytes is passed over" in source.errors["a.csv"]
    with path.open("a") as out:
        out.write("\n2026-01-01T00:15:00Z,2\n")
    for _ in range(6):
        source.poll(taken)
    assert source.errors == {}
    assert taken.readings == [("main", "1.8.0", START_MS, 1_000_000), ("main", "1.8.0", START_MS + STEP_MS, 2_000_000)]


def test_compressed_files_and_parquet_are_read_once_they_stand_still(tmp_path: Path) -> None:
    rows = wide_rows(10)
    plan = site(path=str(tmp_path))
    source, taken = FileSource(plan.sources[0], plan, clock=now), Taken()
    write_wide(tmp_path / "a.csv.gz", rows)
    wide_parquet(tmp_path / "b.parquet", rows, pa.array([row[0] for row in rows]).cast(pa.timestamp("ms", tz="UTC")))
    (tmp_path / "c.parquet").write_bytes(b"half a file")
    source.poll(taken)
    assert taken.readings == []
    source.poll(taken)
    source.poll(taken)
    assert len(taken.readings) == 60
    assert source.counters()["unreadable"] == 1
    assert "c.parquet" in source.errors


def test_thread_delivers_waits_for_a_full_loop_and_stops(tmp_path: Path) -> None:
    plan = site(path=str(tmp_path), poll_s=0.01)
    write_wide(tmp_path / "a.csv", wide_rows(5))
    source, taken = FileSource(plan.sources[0], plan, clock=now), Taken(full=3)
    source.start(taken)
    assert until(lambda: len(taken.readings) == 15)
    assert source.alive()
    source.stop(5)
    assert not source.alive()
    assert source.counters()["held"] == 3
    source.ack(None)
    assert source.refused() == {}
    before = threading.active_count()
    write_wide(tmp_path / "b.csv", wide_rows(5))
    assert len(taken.readings) == 15
    assert threading.active_count() <= before


def test_folder_is_needed() -> None:
    with pytest.raises(ConfigError, match="path is missing"):
        FileSource(site().sources[0], site())
