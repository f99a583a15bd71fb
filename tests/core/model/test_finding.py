"""A finding has one id per cause and subject; planned work covers what it names and nothing else."""

import pytest

from meterd.core.model.finding import Finding, FindingRow, FindingState, Suppression, refused_text

BOARDS = {"q05": "north", "q06": "north", "t2": "south"}


def one(cause: str, subject: str, points: tuple[str, ...] = ()) -> Finding:
    return Finding(cause, subject, 0, "words", points=points)


@pytest.mark.parametrize(
    ("what", "cause", "finding", "covered"),
    [
        ("q05", "*", one("stale", "q05", ("q05",)), True),
        ("q05", "*", one("stale", "q06", ("q06",)), False),
        ("q05", "reset", one("stale", "q05", ("q05",)), False),
        ("q05", "sta*", one("stale", "q05", ("q05",)), True),
        ("q0*", "*", one("stale", "q06", ("q06",)), True),
        ("north", "*", one("stale", "q05", ("q05",)), True),
        ("north", "*", one("outside-band", "north"), True),
        ("north", "*", one("stale", "t2", ("t2",)), False),
        ("north", "*", one("silent-riser", "riser", ("q05", "q06")), True),
        ("north", "*", one("silent", "mill", ("q05", "t2")), False),  # the other half is not planned
        ("q.5", "*", one("stale", "q05", ("q05",)), False),  # no regular expression
        ("", "*", one("fault", "step"), False),
    ],
)
def test_planned_work_covers_what_it_names(what: str, cause: str, finding: Finding, covered: bool) -> None:
    """Subject, board or all points, and the cause."""
    window = Suppression(what, 100, 200, "Ada", "works", cause)
    assert window.covers(finding, BOARDS, 150) is covered


def test_planned_work_has_a_begin_and_an_exclusive_end() -> None:
    """Outside its time a window covers nothing."""
    window = Suppression("q05", 100, 200, "Ada", "works")
    assert [window.covers(one("stale", "q05"), BOARDS, t) for t in (99, 100, 199, 200)] == [False, True, True, False]


@pytest.mark.parametrize("text", ["", "  ", "a\nb", "a\r\nBcc: x@y.example", "\x00", "x" * 501])
def test_notes_with_control_characters_are_refused(text: str) -> None:
    """H8: what is kept as a name or note ends up in mail headers and tables."""
    assert refused_text(text)


def test_note_of_any_script_is_kept() -> None:
    """Letters beyond ASCII are words too."""
    assert refused_text("Zähler getauscht, Жанна, 検針") == ""


def test_row_shows_its_life() -> None:
    """State, first and last, count and number travel with the finding."""
    life = FindingRow(one("stale", "q05"), 1, 2, "seen", number=3, count=4, earlier_ms=5).shown.life
    assert life is not None
    assert (life.state, life.first_ms, life.last_ms, life.count, life.number, life.earlier_ms) == (
        FindingState.SEEN, 1, 2, 4, 3, 5,
    )  # fmt: skip
