"""Figures of a store as people and programs ask for them, through the command line."""

import csv
import io
import json
import threading
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from meterd.app.bookkeeper import Bookkeeper
from meterd.app.cli import main
from meterd.app.config import load_plan
from meterd.app.demo import duration_s
from meterd.app.query import parse_span
from meterd.errors import ConfigError
from meterd.interval import Period, text
from meterd.reading import EXPORT, IMPORT, Reading
from meterd.site import Site
from meterd.store.sqlite import SqliteStore

CONFIG = Path(__file__).parents[2] / "config"
BEGIN = 1_767_222_000_000  # 2025-12-31 23:00 UTC: the year 2026 in Vienna
QUARTER = 900_000


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two days and an hour of the small plan: the grid gives 1 kWh a quarter hour, five feeders take 0.2 kWh each."""
    path = tmp_path_factory.mktemp("store") / "s.sqlite"
    site = load_plan(CONFIG / "small.toml").site
    kept = SqliteStore.writer(path)
    books = Bookkeeper(kept, site, ZoneInfo(site.zone))
    rises = {"grid": 1_000_000, "roof": 0, "light": 0} | dict.fromkeys(
        ("joinery", "metal-shop", "paint-booth", "offices", "hot-water"), 200_000
    )
    count = 2 * 96 + 5
    readings = [
        Reading(point, register, BEGIN + i * QUARTER, rise * i if register == IMPORT else 0, BEGIN)
        for point, rise in rises.items()
        for register in (IMPORT, EXPORT)
        for i in range(count)
    ]
    books.tick(readings, BEGIN)
    books.tick([], BEGIN + (count - 1) * QUARTER + 60_000)
    kept.close()
    return path


def run(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str, str]:
    """Exit code, output and errors of a command."""
    code = main(list(words))
    said = capsys.readouterr()
    return code, said.out, said.err


def lines(capsys: pytest.CaptureFixture[str], store: Path, *words: str) -> list[dict[str, str]]:
    """The CSV lines of a query on the small plan."""
    code, out, err = run(
        capsys, words[0], str(CONFIG / "small.toml"), "--store", str(store), "--format", "csv", *words[1:]
    )
    assert (code, err) == (0, "")
    return list(csv.DictReader(io.StringIO(out)))


def test_energy_of_days_and_of_the_running_day(capsys: pytest.CaptureFixture[str], store: Path) -> None:
    """Whole days are figures; the day that is not over shows what is known so far and says so."""
    found = lines(
        capsys, store, "energy", "--period", "day", "--point", "grid", "--from", "2026-01-01", "--until", "2026-01-04"
    )
    imports = [row for row in found if row["register"] == "import"]
    assert [(r["period"], r["energy_wh"], r["quality"]) for r in imports] == [
        ("2026-01-01", "96000.0", "good"),
        ("2026-01-02", "96000.0", "good"),
        ("2026-01-03", "4000.0", "so far"),
    ]
    assert imports[0]["mean_w"] == "4000.0"


def test_balance_of_a_day_is_inside_its_band(capsys: pytest.CaptureFixture[str], store: Path) -> None:
    """Feed and feeders agree; the line carries residual, band, verdict and coverage."""
    found = lines(capsys, store, "balance", "--period", "day")
    assert [(r["feed_wh"], r["residual_wh"], r["verdict"], r["covered"]) for r in found][:2] == [
        ("96000.0", "0.0", "inside", "8 of 8"),
        ("96000.0", "0.0", "inside", "8 of 8"),
    ]
    assert found[2]["period"] == "2026-01-03 so far"


def test_pv_without_production_has_undefined_ratio(capsys: pytest.CaptureFixture[str], store: Path) -> None:
    """F6: a ratio with a zero divisor is empty, not 0 or 1."""
    found = lines(capsys, store, "energy", "--pv", "--period", "day")
    assert (found[0]["production_wh"], found[0]["self_consumption"], found[0]["self_sufficiency"]) == ("0.0", "", "0.0")


def test_maximum_demand_of_the_month(capsys: pytest.CaptureFixture[str], store: Path) -> None:
    """The first of equal peaks, with how much of the month is known."""
    found = lines(capsys, store, "energy", "--demand", "--point", "grid")
    assert found == [
        {
            "period": "2026-01", "point": "grid", "demand_w": "4000.0", "interval_start": "2026-01-01T00:00:00+01:00",
            "intervals_known": "196", "intervals": "2976",
        }
    ]  # fmt: skip


def test_json_has_null_where_a_figure_is_missing(capsys: pytest.CaptureFixture[str], store: Path) -> None:
    """A month that is not complete is null for a program and says how much is known."""
    code, out, _ = run(
        capsys, "energy", str(CONFIG / "small.toml"), "--store", str(store), "--format", "json", "--period", "month",
        "--from", "2025-12", "--until", "2026-01", "--point", "grid",
    )  # fmt: skip
    assert code == 0
    assert json.loads(out)[0]["energy_wh"] is None


def test_table_is_for_people(capsys: pytest.CaptureFixture[str], store: Path) -> None:
    """kWh, local time and the zone in the title."""
    _, out, _ = run(capsys, "energy", str(CONFIG / "small.toml"), "--store", str(store), "--point", "grid")
    assert "Europe/Vienna" in out
    assert "energy kWh" in out
    assert "96.000" in out


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        (["energy", "small.toml", "--point", "nope"], 2, "the plan has no point nope"),
        (["balance", "small.toml", "--board", "nope"], 2, "the plan has no board nope; it has main"),
        (["energy", "small.toml", "--store", "nowhere.sqlite"], 1, "there is no store at nowhere.sqlite"),
        (["check", "nowhere"], 2, "there is no such plan"),
        (["replay", "small.toml", "x.csv"], 2, "say where the result goes"),
        (["replay", "small.toml", "x.csv", "--out", "y", "--source", "z"], 2, "the plan has no source z"),
        (["replay", "small.toml", "x.csv", "--out", "y", "--map", "a=b"], 2, "write COLUMN=POINT:REGISTER"),
        (["demo", "--for", "soon"], 2, "write a time such as 60s"),
    ],
)
def test_error_says_what_would_be_right(
    capsys: pytest.CaptureFixture[str], words: list[str], code: int, said: str
) -> None:
    """Every refusal is one line on standard error with the right exit code."""
    words = [str(CONFIG / w) if w == "small.toml" else w for w in words]
    got, out, err = run(capsys, *words)
    assert (got, out) == (code, "")
    assert said in err


@pytest.mark.parametrize(
    ("words", "start"),
    [
        ("2026", "2025-12-31T23:00:00Z"),
        ("2026-03", "2026-02-28T23:00:00Z"),
        ("2026-03-30", "2026-03-29T22:00:00Z"),
        ("2026-03-29T10:00:00Z", "2026-03-28T23:00:00Z"),
    ],
)
def test_from_is_read_as_a_person_writes_it(words: str, start: str) -> None:
    """Years, months and dates are local; the span begins with a whole period."""
    site = Site("s", "Europe/Vienna")
    assert text(parse_span((words, "2027"), Period.DAY, site, None, 0).from_ms) == start


@pytest.mark.parametrize("words", ["yesterday", "2026-13", "2026-02-30", "2026-03-29T10:00:00", "20260329"])
def test_from_that_cannot_be_read_is_refused(words: str) -> None:
    """The message shows the forms that can be."""
    with pytest.raises(ConfigError, match="write 2026, 2026-03, 2026-03-29 or 2026-03-29T10:00:00Z"):
        parse_span((words, None), Period.DAY, Site("s", "Europe/Vienna"), None, 0)


@pytest.mark.parametrize(("words", "seconds"), [("90", 90), ("60s", 60), ("5m", 300), ("1h", 3600), (None, None)])
def test_duration(words: str | None, seconds: float | None) -> None:
    """Seconds, minutes and hours."""
    assert duration_s(words) == seconds


@pytest.mark.slow
def test_demo_runs_in_a_pipe_and_ends(capsys: pytest.CaptureFixture[str]) -> None:
    """The demo prints how to subscribe, a line with both boards and the surplus, and ends by itself."""
    assert threading.current_thread() is threading.main_thread()
    code, out, _ = run(capsys, "demo", "--for", "6s")
    assert code == 0
    assert "mosquitto_sub" in out
    assert "north" in out
    assert "surplus" in out
