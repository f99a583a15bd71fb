"""Duration curves as places in a plane: how high a power is reached or exceeded in how much of the time."""

from collections.abc import Sequence

from meterd.core.reports.axis import value_axis
from meterd.core.reports.chart import TICK_HEIGHT, Frame, Mark, Size, Stroke

Curve = Sequence[tuple[float, float]]  # part of the time 0..1, power in the unit of the chart


def duration_chart(curves: Sequence[Curve], size: Size) -> tuple[Frame, tuple[Stroke, ...]]:
    """The plane (x from 0 to 1) and a line for each curve that has a value; its tone is its number."""
    values = [value for curve in curves for _, value in curve]
    most = max(2, (size.height - size.top - size.bottom) // TICK_HEIGHT)
    frame = Frame(size, 0.0, 1.0, value_axis(min(values, default=0.0), max(values, default=1.0), most))
    strokes = []
    for tone, curve in enumerate(curves):
        if curve:
            places = [(frame.x(0.0), frame.y(curve[0][1])), *((frame.x(part), frame.y(v)) for part, v in curve)]
            strokes.append(Stroke(tuple(places), tone, "solid"))
    return frame, tuple(strokes)


def duration_marks(curves: Sequence[Curve], frame: Frame) -> tuple[Mark, ...]:
    """Where curves bear their letters: each at a part of the time of its own, so that no letter covers another."""
    if len(curves) < 2:
        return ()
    marks = []
    for number, curve in enumerate(curves):
        part = (number + 0.5) / len(curves)
        value = next((v for reached, v in curve if reached >= part), None)
        if value is not None:
            marks.append(Mark(frame.x(part), round(frame.y(value) + 4, 1), number, inside=True))
    return tuple(marks)
