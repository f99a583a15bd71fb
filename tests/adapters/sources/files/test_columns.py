"""Cells of a history file become values of registers: in which unit, under which name, and what is refused with its place."""

from collections.abc import Iterator
from pathlib import Path

import pyarrow as pa
import pytest

from meterd.adapters.sources.files.columns import SAMPLES_LIMIT, STRANGERS_LIMIT, Part, Spreader
from meterd.adapters.sources.files.settings import TimeRule
from meterd.adapters.sources.files.tables import Chunk, Table
from meterd.core.model.plan import Board, Input, Point, Role, Site
from meterd.core.model.reading import IMPORT, POWER

FEED = Input("t1", IMPORT, "old", "t1 kWh", unit="kWh")
OVENS = Input("ovens", IMPORT, "old", "a", unit="Wh", scale=10.0)
DRAW = Input("ovens", POWER, "old", "p", unit="kW")
SITE = Site(
    "mill",
    "Europe/Vienna",
    boards=(Board("main"),),
    points=(Point("t1", "main", Role.FEED), Point("ovens", "main", Role.FEEDER, aliases=("q01",))),
    inputs=(FEED, OVENS, DRAW),
)
BEGIN = 1_777_845_600_000
TIMES = ["2026-05-03T22:00:00Z", "2026-05-03T22:15:00Z", "2026-05-03T22:30:00Z"]


def spreader(*columns: str, listed: int = 0) -> Spreader:
    """The reader of a CSV file with these columns."""
    mapped = {"t1 kWh": FEED, "a": OVENS, "p": DRAW}
    table = Table(Path("old.csv"), ("time", *columns), "time")
    return Spreader(SITE, SITE.inputs, mapped, TimeRule(), table, listed=listed)


def parts(
    reader: Spreader, *, first_row: int = 1, **columns: list[str]
) -> Iterator[tuple[str, str, list[int], list[float]]]:
    """What a piece of the file gives: point, register, times from the beginning in seconds, values."""
    chunk = Chunk(pa.table(columns), first_row)
    for part in reader.parts(chunk):
        assert isinstance(part, Part)
        yield *part.channel, [(at - BEGIN) // 1000 for at in part.at_ms.tolist()], part.values.tolist()


def test_each_column_of_a_wide_file_is_scaled_as_its_input_says() -> None:
    reader = spreader("t1 kWh", "a", "p", "remarks")
    assert reader.wanted() == ["time", "t1 kWh", "a", "p"], "nobody asked for the remarks"
    assert reader.channels() == [("t1", IMPORT), ("ovens", IMPORT), ("ovens", POWER)]
    assert reader.column_of(("ovens", POWER)) == "p"
    assert reader.column_of(("t1", POWER)) is None
    rows = {"time": TIMES, "t1 kWh": ["1.5", "1.501", "2"], "a": ["7", "", "9"], "p": ["-1.25", "0", "3"]}
    assert list(parts(reader, **rows)) == [
        ("t1", IMPORT, [0, 900, 1800], [1_500_000, 1_501_000, 2_000_000]),  # milli-units, whole
        ("ovens", IMPORT, [0, 1800], [70_000, 90_000]),  # an empty cell is no value and no fault
        ("ovens", POWER, [0, 900, 1800], [-1250.0, 0.0, 3000.0]),  # base unit
    ]
    assert reader.refusals == {}


def test_a_cell_that_cannot_be_believed_is_named_by_row_and_column() -> None:
    """Rows count from the top of the file, the header included, in every piece of it."""
    reader = spreader("a", listed=2)
    rows = {"time": [TIMES[0], "yesterday", TIMES[2]], "a": ["7", "8", "1_000"]}
    assert list(parts(reader, first_row=1001, **rows)) == [("ovens", IMPORT, [0], [70_000])]
    refused = reader.refusals["ovens", IMPORT]
    assert refused.count == 2
    assert [item.reason.partition(": ")[0] for item in refused.samples] == [
        "old.csv, row 1003, column a",
        "old.csv, row 1004, column a",
    ]
    assert [(item.row, item.column, item.value) for item in refused.cells] == [(1003, "a", "8"), (1004, "a", "1_000")]


def test_of_many_refused_cells_some_are_shown_and_all_are_counted() -> None:
    reader = spreader("a")
    for piece in range(3):
        rows = {"time": TIMES[:1] * 10, "a": ["x"] * 10}
        list(parts(reader, first_row=1 + 10 * piece, **rows))
    refused = reader.refusals["ovens", IMPORT]
    assert (refused.count, len(refused.samples), refused.cells) == (30, SAMPLES_LIMIT, [])


def test_rows_of_a_long_file_find_their_register_by_code_name_and_alias() -> None:
    """Whatever their order; blanks around a name do not count, and each row may bring its own unit."""
    reader = spreader("point", "register", "value", "unit")
    rows = {
        "time": [TIMES[0], TIMES[0], TIMES[1], TIMES[1], TIMES[2]],
        "point": ["q01", "t1", " ovens ", "t1", "ovens"],
        "register": ["import", IMPORT, IMPORT, "import", "power"],
        "value": ["7", "1.5", "0.09", "1502", "3"],
        "unit": ["", "kWh", "MWh", "Wh", "W"],
    }
    results = [
        (point, register, second, value)
        for point, register, seconds, values in parts(reader, **rows)
        for second, value in zip(seconds, values, strict=True)
    ]
    assert sorted(results) == [
        ("ovens", IMPORT, 0, 70_000),  # without a unit as the plan says
        ("ovens", IMPORT, 900, 900_000_000),  # with one, the factor of the plan stays
        ("ovens", POWER, 1800, 3.0),
        ("t1", IMPORT, 0, 1_500_000),
        ("t1", IMPORT, 900, 1_502_000),
    ]


def test_a_unit_that_does_not_fit_is_refused_and_never_guessed() -> None:
    reader = spreader("point", "register", "value", "unit")
    rows = {
        "time": TIMES[:2],
        "point": ["t1"] * 2,
        "register": ["import"] * 2,
        "value": ["1", "2"],
        "unit": ["kW", "kWh"],
    }
    assert list(parts(reader, **rows)) == [("t1", IMPORT, [900], [2_000_000])]
    (refusal,) = reader.refusals["t1", IMPORT].samples
    assert "unit 'kW' does not fit a register in Wh" in refusal.reason


def test_names_that_the_plan_does_not_know_are_counted_and_not_without_end() -> None:
    reader = spreader("point", "register", "value")
    rows = {
        "time": TIMES, "point": ["cellar", "cellar", "t1"], "register": ["import", "import", "temperature"],
        "value": ["1", "2", "3"],
    }  # fmt: skip
    assert list(parts(reader, **rows)) == []
    assert reader.strangers == {"cellar": 2, "t1 register temperature": 1}
    many = STRANGERS_LIMIT + 5
    names = [f"x{k}" for k in range(many)]
    rows = {"time": TIMES[:1] * many, "point": names, "register": ["import"] * many, "value": ["1"] * many}
    assert list(parts(reader, **rows)) == []
    assert len(reader.strangers) == STRANGERS_LIMIT


@pytest.mark.parametrize("column", ["t1 kWh", "a"])
def test_one_column_read_alone_is_that_of_the_whole_file(column: str) -> None:
    """Times are read once, and pieces of a column find theirs by their rows."""
    values = {"t1 kWh": ["1", "2", "3"], "a": ["4", "", "6"]}
    whole = {row[:2]: row[2:] for row in parts(spreader(*values), time=TIMES, **values)}
    reader = spreader(*values)
    at = reader.all_times([Chunk(pa.table({"time": TIMES[:2]}), 1), Chunk(pa.table({"time": TIMES[2:]}), 3)])
    channel = ("t1", IMPORT) if column == "t1 kWh" else ("ovens", IMPORT)
    first = reader.part(Chunk(pa.table({column: values[column][:2]}), 1), channel, at)
    second = reader.part(Chunk(pa.table({column: values[column][2:]}), 3), channel, at)
    times = [(t - BEGIN) // 1000 for t in [*first.at_ms.tolist(), *second.at_ms.tolist()]]
    assert (times, [*first.values.tolist(), *second.values.tolist()]) == whole[channel]
