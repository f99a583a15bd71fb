"""A plan while it is read: which names are known, also where a row could not be read."""

from zoneinfo import ZoneInfo

from meterd.adapters.planfile.draft import Draft, only
from meterd.adapters.planfile.fault import Notes, Place
from meterd.adapters.planfile.row import Cell, Row
from meterd.adapters.planfile.schema import BoardRow, Entry, PointRow, check


def board(name: str) -> Entry[BoardRow]:
    """A checked row of a board."""
    entry = check(BoardRow, Row({"name": Cell(name)}, Place("site.toml")), Notes())
    assert entry is not None
    return entry


def point(name: str, of: str) -> Entry[PointRow]:
    """A checked row of a point."""
    cells = {"point": Cell(name), "board": Cell(of), "role": Cell("feed")}
    entry = check(PointRow, Row(cells, Place("points.csv")), Notes())
    assert entry is not None
    return entry


def test_declared_names_are_known_and_others_are_not() -> None:
    """Each kind for itself: a board is no point."""
    draft = Draft(zone=ZoneInfo("UTC"), boards=[board("north")], points=[point("t1", "north")])
    assert draft.knows("board", "north")
    assert draft.knows("point", "t1")
    assert not draft.knows("board", "t1")
    assert not draft.knows("source", "north")
    assert (draft.named("board"), draft.named("point"), draft.named("source")) == (["north"], ["t1"], [])


def test_a_reference_to_a_row_that_was_lost_is_no_second_fault() -> None:
    """The row is faulty, and it is written somewhere; a name that is nowhere is unknown all the same."""
    draft = Draft(lost={"point": {"q01"}})
    assert draft.knows("point", "q01")
    assert not draft.knows("point", "q02")
    assert not draft.knows("board", "q01")


def test_what_is_missed_may_stand_in_a_file_that_could_not_be_read() -> None:
    """Then every name of that kind may be there."""
    draft = Draft(gaps={"point"})
    assert draft.knows("point", "anything")
    assert not draft.knows("board", "anything")


def test_of_two_rows_with_one_name_the_first_is_found() -> None:
    """The second is refused elsewhere."""
    first, second = point("q01", "north"), point("q01", "south")
    draft = Draft(points=[first, second])
    assert draft.point("q01") is first
    assert draft.point("q02") is None


def test_a_single_board_need_not_be_named() -> None:
    """With none or two nothing is meant by itself."""
    assert only([board("north")]) == "north"
    assert only([board("north"), board("south")]) is None
    assert only([]) is None
