"""A row against its table: every fault at once, with what would be right, and the rest of the row is still read."""

from dataclasses import fields

import pytest
from pydantic import ValidationError

from meterd.adapters.planfile.fault import Notes, Place
from meterd.adapters.planfile.row import Cell, Row
from meterd.adapters.planfile.schema import (
    ConsumerRow,
    InputRow,
    InstrumentRow,
    LimitsTable,
    PointRow,
    ScheduleTable,
    SharingTable,
    SiteTable,
    Table,
    check,
    columns,
    csv_columns,
    with_unit,
)
from meterd.core.model.plan import Limits

PLACE = Place("points.csv", 4, 1)


def row(**values: object) -> Row:
    """A row whose values stand in the columns 10, 20 and so on."""
    return Row(values, PLACE, {name: Place("points.csv", 4, 10 * (k + 1)) for k, name in enumerate(values)})


def faults(model: type[Table], **values: object) -> list[str]:
    """What is said of a row."""
    notes = Notes()
    check(model, row(**values), notes)
    return [str(fault) for fault in notes.faults]


def test_every_fault_of_a_row_is_said_at_its_own_place() -> None:
    output = faults(PointRow, point="q01", role="feedr", rating_a=Cell("-5"), titel="Ovens")
    assert len(output) == 3
    assert output[0].startswith("points.csv:4:20: role: ")
    assert output[1].startswith("points.csv:4:30: rating_a: ")
    assert "-5 A" in output[1], "with the unit of its column"
    assert output[2].startswith("points.csv:4:40: unknown key 'titel'")
    assert "title" in output[2], "what was meant"


def test_a_faulty_value_gives_way_and_the_rest_of_the_row_is_read() -> None:
    notes = Notes()
    entry = check(PointRow, row(point="Q 01", rating_a=Cell("63"), role="feedr"), notes)
    assert entry is not None
    assert (entry.data.point, entry.data.rating_a, entry.data.role) == ("q-01", 63.0, "feeder")
    assert (entry.sound("rating_a"), entry.sound("rating_a", "role")) == (True, False)
    assert entry.faulty == {"point", "role"}


@pytest.mark.parametrize(
    ("model", "values", "guess"),
    [
        (SiteTable, {"name": "mill"}, ("zone", "UTC")),
        (SiteTable, {"zone": "Europe/Vienna"}, ("name", "unnamed")),
        (InputRow, {"point": "q01"}, ("address", "unread")),
        (ConsumerRow, {"consumer": "ovens"}, ("max_w", 10**12)),
    ],
)
def test_what_is_missing_is_taken_for_something_so_that_other_faults_are_found(
    model: type[Table], values: dict[str, object], guess: tuple[str, object]
) -> None:
    notes, (column, value) = Notes(), guess
    entry = check(model, row(**values), notes)
    assert entry is not None
    assert getattr(entry.data, column) == value
    assert not entry.sound(column), "nothing is made of the guess"
    (fault,) = notes.faults
    assert (fault.what, fault.right) == (f"{column} is missing", f"write the {column}")


def test_a_name_that_nobody_can_guess_leaves_no_row() -> None:
    notes = Notes()
    assert check(PointRow, row(point="???", title="Ovens"), notes) is None
    assert len(notes.faults) == 1


def test_a_secret_is_not_called_an_unknown_key() -> None:
    """Something else has said what is wrong with it, without its value."""
    assert faults(SiteTable, name="mill", zone="Europe/Vienna", password="hunter2") == []


def test_every_limit_has_a_key_with_its_own_default_and_only_some_may_be_switched_off() -> None:
    table = LimitsTable()
    assert {limit.name: getattr(table, limit.name) for limit in fields(Limits)} == {
        limit.name: limit.default for limit in fields(Limits)
    }
    assert LimitsTable.model_validate({"gap_exact_s": 0}).gap_exact_s == 0  # type: ignore[attr-defined]
    for name, value in (("queue_limit", 0), ("gap_exact_s", -1), ("stale_after_s", True), ("unheard_of", 1)):
        with pytest.raises(ValidationError):
            LimitsTable.model_validate({name: value})


def test_tables_of_settings_refuse_what_their_loop_cannot_do() -> None:
    assert "sample_s" in faults(SharingTable, sample_s=0)[0]
    assert faults(SharingTable, reserve_w=0) == []
    assert "backup" in faults(ScheduleTable, backup="25:00")[0]


def test_columns_are_written_as_in_the_plan_and_a_spreadsheet_has_no_table_in_a_cell() -> None:
    assert columns(InstrumentRow)[:3] == ("point", "from", "until")
    assert "fields" in columns(InputRow)
    assert "fields" not in csv_columns(InputRow)
    assert "register" in csv_columns(InputRow)


def test_only_bare_numbers_get_the_unit_of_their_column() -> None:
    assert with_unit("stale_after_s", "-5 is less than 1") == "-5 s is less than 1 s"
    assert with_unit("max_w", "'1_000' is no number") == "'1_000' is no number"
    assert with_unit("rating_kva", "0.5 or 2026-01-01") == "0.5 kVA or 2026-01-01"
    assert with_unit("count", "0 is less than 1") == "0 is less than 1"
