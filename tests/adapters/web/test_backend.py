"""Who may see and do what on the page: roles include each other, and single rooms are for those whom the plan names."""

from dataclasses import replace
from pathlib import Path

import pytest

from meterd.adapters.planfile.loader import load_plan
from meterd.adapters.web.backend import UserRole, Viewer
from meterd.core.model.plan import Page

MILL = Path(__file__).parents[3] / "config" / "harrow-mill"


def test_each_role_covers_itself_and_the_ones_before() -> None:
    """In the order of the docstring: open, look, acknowledge, change."""
    roles = [UserRole.OPEN, UserRole.LOOK, UserRole.ACKNOWLEDGE, UserRole.CHANGE]
    assert [[role.covers(needed) for needed in roles] for role in roles] == [
        [True, False, False, False],
        [True, True, False, False],
        [True, True, True, False],
        [True, True, True, True],
    ]
    with pytest.raises(ValueError, match="admin"):
        Viewer(role=UserRole.CHANGE).may("admin")


def test_figures_of_single_rooms_need_the_role_of_the_plan_and_others_none() -> None:
    """Points that are copied from a pattern are rooms; a visitor sees all that is not one."""
    plan = load_plan(MILL).site
    rooms = {name for copied in plan.copied for name in copied.points}
    others = {point.name for point in plan.points} - rooms
    assert rooms, "the example has rooms, or this test shows nothing"
    assert others
    for needed in UserRole:
        site = replace(plan, page=replace(Page(), rooms=needed))
        for role in UserRole:
            viewer = Viewer(role=role)
            assert {viewer.sees(point, site) for point in rooms} == {role.covers(needed)}, (needed, role)
            assert all(viewer.sees(point, site) for point in others)
