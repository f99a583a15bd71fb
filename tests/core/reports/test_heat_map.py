"""Every hour is a cell of the class of its power; what is missing has a class of its own, what never was has none."""

import numpy as np

from meterd.core.energy.load_profile import HoursByDays
from meterd.core.reports.chart import Size
from meterd.core.reports.duration_chart import duration_chart, duration_marks
from meterd.core.reports.heat_map import CLASSES, MISSING, heat_map

SIZE = Size(500, 300, left=20, right=0, top=0, bottom=12)


def test_cells_by_class() -> None:
    """The lowest in the first, the highest in the last class; 48 hours less one that never was."""
    watt = np.arange(48.0).reshape(2, 24).T
    present = np.ones((24, 2), dtype=np.bool_)
    missing = np.zeros((24, 2), dtype=np.bool_)
    present[2, 0] = present[3, 0] = False
    missing[3, 0] = True
    drawn = heat_map(HoursByDays((0, 86_400_000), watt, present, missing), SIZE)
    assert drawn is not None
    assert sum(len(cells) for cells in drawn.cells.values()) == 47
    assert drawn.cells[MISSING] == [(20.0, 36.0, 240.0, 12.0)]
    assert drawn.cells[0][0][:2] == (20.0, 0.0)
    assert (260.0, 276.0) in [cell[:2] for cell in drawn.cells[CLASSES - 1]]
    assert drawn.limits[0] == 0.0
    assert drawn.top == 47.0
    assert heat_map(HoursByDays((0,), watt[:, :1], np.zeros((24, 1), dtype=np.bool_), missing[:, :1]), SIZE) is None


def test_a_steady_load_is_one_class() -> None:
    """No division by nothing."""
    ones = np.ones((24, 1))
    drawn = heat_map(HoursByDays((0,), ones, ones > 0, ones < 0), SIZE)
    assert drawn is not None
    assert list(drawn.cells) == [0]


def test_a_duration_chart_begins_at_the_left_with_the_highest() -> None:
    """Each curve reaches from nothing to all of the time."""
    frame, (stroke,) = duration_chart([[(0.5, 8.0), (1.0, 2.0)]], SIZE)
    assert stroke.places == ((20.0, frame.y(8.0)), (260.0, frame.y(8.0)), (500.0, frame.y(2.0)))
    assert duration_chart([[]], SIZE)[1] == ()
    assert duration_marks([[(0.5, 8.0), (1.0, 2.0)]], frame) == ()  # one curve needs no letter
    first, second = duration_marks([[(0.5, 8.0), (1.0, 2.0)], [(1.0, 4.0)]], frame)
    assert [(m.x, m.y - 4, m.track) for m in (first, second)] == [
        (frame.x(0.25), frame.y(8.0), 0),
        (frame.x(0.75), frame.y(4.0), 1),
    ]
