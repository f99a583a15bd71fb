"""A board fed by a feeder of another board: what is refused."""

from pathlib import Path

import pytest

from meterd.adapters.planfile.loader import PlanError, load_plan

PLAN = """
site = {{ name = "mill", zone = "Europe/Vienna" }}
board = [{{ name = "main" }}, {{ name = "yard", fed_by = "{fed_by}" }}]
point = [
    {{ point = "t1", board = "main", role = "feed" }},
    {{ point = "to-yard", board = "main" }},
    {{ point = "pump", board = "yard" }},
]
"""


def test_a_feeder_of_another_board_may_feed_a_board(tmp_path: Path) -> None:
    """The plan loads and the network of the site can be drawn from it."""
    path = tmp_path / "plan.toml"
    path.write_text(PLAN.format(fed_by="to-yard"))
    assert load_plan(path).site.boards[1].fed_by == "to-yard"


@pytest.mark.parametrize(
    ("fed_by", "expected"),
    [
        ("nowhere", "feeder nowhere does not exist"),
        ("t1", "t1 has role feed, a board is fed by a feeder"),
        ("pump", "feeder pump is on board yard itself"),
    ],
)
def test_what_cannot_feed_a_board_is_refused_with_its_place(tmp_path: Path, fed_by: str, expected: str) -> None:
    """Line, what is wrong, and the feeder that would be right."""
    path = tmp_path / "plan.toml"
    path.write_text(PLAN.format(fed_by=fed_by))
    with pytest.raises(PlanError) as refused:
        load_plan(path)
    (fault,) = refused.value.faults
    assert (fault.line, fault.what) == (3, expected)
    assert "to-yard" in str(refused.value)
