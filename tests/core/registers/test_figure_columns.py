"""Figures in columns are the rows one by one, with their anchors, also in part."""

import numpy as np

from meterd.core.model.periods import Period
from meterd.core.model.results import Anchor, FigureRow
from meterd.core.registers.figure_columns import FigureColumns, interval_columns
from meterd.core.registers.register_line import Breakpoints, Edge, figures

CHANNEL = ("q01", "1.8.0")


def test_rows_have_the_anchor_before_them_and_nothing_where_nothing_is_known() -> None:
    """The first interval begins before the first reading: no energy and no anchor."""
    line = Breakpoints()
    for t, total in ((100, 0), (200, 5), (300, 9)):
        line.add(t, total, 7_000 + total, plateau=t - 50, edge=Edge.KNOWN, anchorable=1)
    result = figures(line, 0, 300, interval_ms=100, gap_exact_ms=1_000, gap_estimate_ms=2_000)
    columns = interval_columns(CHANNEL, result, line)
    rows = [
        FigureRow(CHANNEL, Period.INTERVAL, 0, None, 0, None),
        FigureRow(CHANNEL, Period.INTERVAL, 100, 5, 0, Anchor(100, 7_000, 50)),
        FigureRow(CHANNEL, Period.INTERVAL, 200, 4, 0, Anchor(200, 7_005, 150)),
    ]
    assert columns.rows() == rows
    assert columns.part(1, 2).rows() == rows[1:2]
    assert len(columns.part(1, 9)) == 2


def test_longer_periods_have_no_anchors() -> None:
    """A day has its energy and its flags."""
    item, there = np.array([5], dtype=np.int64), np.array([True])
    columns = FigureColumns(CHANNEL, Period.DAY, item, item, there, item)
    assert columns.rows() == [FigureRow(CHANNEL, Period.DAY, 5, 5, 5, None)]
    assert columns.part(0, 1).rows() == columns.rows()
