"""What commands write: tables in kWh for people, exact watt-hours for programs, the same lines in each form."""

import csv
import io
import json

import pytest
from rich.console import Console

from meterd.app.cli.output import Line, duration_s, terminal, write
from meterd.app.operations.queries import BELOW_ZERO
from meterd.core.errors import ConfigError

LINES: list[Line] = [
    {"period": "2026-05-04", "start": "2026-05-03T22:00:00Z", "end": "2026-05-04T22:00:00Z", "point": "q01",
     "energy_wh": 1234.567, "mean_w": None, "estimated": True, "missing": "", "not live": ""},
    {"period": "2026-05-05", "start": "2026-05-04T22:00:00Z", "end": "2026-05-05T22:00:00Z", "point": "q01",
     "energy_wh": None, "mean_w": 51.4, "estimated": False, "missing": "t1 2.8.0, q02, q03, q04, q05", "not live": "a b c d"},
]  # fmt: skip


def written(kind: str, lines: list[Line] = LINES) -> str:
    console = Console(file=io.StringIO(), width=200, highlight=False)
    write(lines, kind, console, title="Energy per day", empty="no figures in that span")
    shown = console.file
    assert isinstance(shown, io.StringIO)
    return shown.getvalue()


def test_people_read_kilowatt_hours_local_labels_and_a_word_for_missing() -> None:
    shown = written("table")
    assert "Energy per day" in shown
    assert "energy kWh" in shown
    assert "mean kW" in shown
    assert "1.235" in shown
    assert "0.051" in shown
    assert shown.count("missing") >= 3, "the heading of a column and two values"
    assert "t1 2.8.0, q02, q03 and 2 more" in shown
    assert "a b c and 1 more" in shown
    assert "T22:00:00Z" not in shown, "both ends in UTC are for programs"


def test_a_reason_in_the_column_of_what_is_missing_is_not_cut() -> None:
    """Words that are no names: said whole."""
    assert BELOW_ZERO in written("table", [{"period": "2026-05", "missing": BELOW_ZERO}])


def test_a_long_table_is_written_as_a_short_one() -> None:
    """Row by row without the library: the same columns, also where a name holds other letters."""
    few = [{**LINES[k % 2], "point": f"q{k:03d}"} for k in range(100)]
    head, *rows = written("table", few).splitlines()[1:]
    long = written("table", [*few, *few]).splitlines()[1:]
    assert long == [head, *rows, *rows]
    foreign = [{**line, "missing": "Küche"} for line in few]
    mixed = [row.split() for row in written("table", [*few, *foreign]).splitlines()[2:]]
    assert mixed == [row.split() for part in (few, foreign) for row in written("table", part).splitlines()[2:]]


def test_programs_read_watt_hours_as_they_are_and_nothing_for_missing() -> None:
    rows = list(csv.DictReader(io.StringIO(written("csv"))))
    assert [row["energy_wh"] for row in rows] == ["1234.567", ""]
    assert rows[0]["start"] == "2026-05-03T22:00:00Z"
    assert json.loads(written("json")) == LINES


@pytest.mark.parametrize(("kind", "shown"), [("table", "no figures in that span\n"), ("csv", ""), ("json", "[]\n")])
def test_nothing_is_said_in_words_and_is_empty_for_programs(kind: str, shown: str) -> None:
    assert written(kind, []) == shown


def test_lines_in_a_pipe_are_not_wrapped(capsys: pytest.CaptureFixture[str]) -> None:
    terminal().print("word " * 60)
    assert capsys.readouterr().out.count("\n") == 1


@pytest.mark.parametrize(("text", "seconds"), [(None, None), ("90", 90), ("60s", 60), ("5m", 300), ("1.5h", 5400)])
def test_a_time_is_read_with_its_unit(text: str | None, seconds: float | None) -> None:
    assert duration_s(text) == seconds


@pytest.mark.parametrize("text", ["", "0", "-5s", "soon", "1d", "nan", "99999999"])
def test_a_time_that_is_none_is_refused_with_an_example(text: str) -> None:
    with pytest.raises(ConfigError, match="write a time such as 60s, 5m or 1h"):
        duration_s(text)
