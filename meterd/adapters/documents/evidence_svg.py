"""The evidence for a suspicion as an SVG drawing: residuals of days with their band, and what they have added up to."""

from collections.abc import Sequence
from html import escape
from zoneinfo import ZoneInfo

from meterd.core.drift.deviation_course import BoardCourse
from meterd.core.model.periods import DAY_MS, day_of
from meterd.core.reports.chart import Band, Chart, Form, Place, Size, Track, chart

PANEL = Size(900, 260, left=70, right=30, top=46, bottom=30)
MWH_PER_KWH = 1_000_000
DATE_WIDE = 44  # a date that begins behind this much before the margin would be cut off
INK, RULE, LINE = "#1c2430", "#c4cad1", "#0b5c8f"
MINUS = "\N{MINUS SIGN}"


def svg(evidence: Sequence[tuple[str, BoardCourse]], zone: ZoneInfo) -> str:
    """Two panels for each suspicion, one below the other: its words, the day on which it began, energies in kWh."""
    panels: list[str] = []
    for words, course in evidence:
        high = [None if band is None else band / MWH_PER_KWH for band in course.band]
        band = Band([None if value is None else -value for value in high], high)
        head = f"{course.board}: feed side less outgoing side of each day, with its band"
        panels.append(_panel(words, head, course.residual, course, zone=zone, band=band))
        head = f"{course.board}: what these have added up to beyond the usual"
        panels.append(_panel("", head, course.cumulated, course, zone=zone))
    height = PANEL.height * len(panels)
    body = [f'<g transform="translate(0 {PANEL.height * i})">{panel}</g>' for i, panel in enumerate(panels)]
    title = escape("; ".join(words for words, _ in evidence))
    box = f'viewBox="0 0 {PANEL.width} {height}" font-family="sans-serif" font-size="12"'
    head = f'<svg xmlns="http://www.w3.org/2000/svg" {box}>'
    white = f'<rect width="{PANEL.width}" height="{height}" fill="white"/>'
    return "\n".join([head, f"<title>{title}</title>", white, *body, "</svg>\n"])


def _panel(
    words: str,
    head: str,
    values: Sequence[int | None],
    course: BoardCourse,
    *,
    zone: ZoneInfo,
    band: Band | None = None,
) -> str:
    edges = [*course.days_ms, course.days_ms[-1] + DAY_MS]
    track = Track([None if value is None else value / MWH_PER_KWH for value in values])
    drawn = chart(Form.LINES, [track], edges, size=PANEL, zone=zone, bands=[band] if band is not None else [])
    parts = [f'<text x="8" y="16" font-weight="bold">{escape(words)}</text>'] if words else []
    parts.append(f'<text x="8" y="34">{escape(head)} [kWh]</text>')
    parts += _axes(drawn, zone)
    parts += [f'<path d="M{_path(area.places)}Z" fill="{LINE}" fill-opacity="0.16"/>' for area in drawn.areas]
    parts += [
        f'<path d="M{_path(stroke.places)}" fill="none" stroke="{LINE}" stroke-width="2"/>' for stroke in drawn.strokes
    ]
    return "\n".join([*parts, *_began(drawn, course, zone)])


def _axes(drawn: Chart, zone: ZoneInfo) -> list[str]:
    frame = drawn.frame
    right, foot = PANEL.width - PANEL.right, PANEL.height - PANEL.bottom
    parts = []
    for tick in frame.axis.ticks:
        y = frame.y(tick)
        label = f"{tick:,.{frame.axis.digits}f}".replace("-", MINUS)
        parts.append(f'<path d="M{PANEL.left} {y}H{right}" stroke="{RULE if tick else INK}"/>')
        parts.append(f'<text x="{PANEL.left - 6}" y="{y + 4}" text-anchor="end">{label}</text>')
    for x, at in drawn.x_ticks:
        if x < right - DATE_WIDE:
            parts.append(f'<text x="{x}" y="{foot + 16}">{day_of(at.at_ms, zone)}</text>')
    return parts


def _began(drawn: Chart, course: BoardCourse, zone: ZoneInfo) -> list[str]:
    """A broken line with its day."""
    if not drawn.frame.x_low <= course.began_ms <= drawn.frame.x_high:
        return []
    x, middle = drawn.frame.x(course.began_ms), (PANEL.left + PANEL.width - PANEL.right) / 2
    side = f'x="{x - 4}" text-anchor="end"' if x > middle else f'x="{x + 4}"'
    line = f'<path d="M{x} {PANEL.top}V{PANEL.height - PANEL.bottom}" stroke="{INK}" stroke-dasharray="4 3"/>'
    return [line, f'<text {side} y="{PANEL.top + 10}">began {day_of(course.began_ms, zone)}</text>']


def _path(places: Sequence[Place]) -> str:
    return "L".join(f"{x:g},{y:g}" for x, y in places)
