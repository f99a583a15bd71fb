"""The evidence for a suspicion as an SVG drawing: residuals of days with their band, and what they have added up to."""

from collections.abc import Mapping, Sequence
from functools import partial
from html import escape
from zoneinfo import ZoneInfo

from meterd.adapters.documents.formats import number
from meterd.adapters.documents.texts import Texts
from meterd.adapters.texts import wording
from meterd.core.drift.deviation_course import BoardCourse
from meterd.core.model.periods import DAY_MS, day_of
from meterd.core.reports.chart import Band, Chart, Form, Place, Size, Track, chart

PANEL = Size(900, 260, left=70, right=30, top=46, bottom=30)
MWH_PER_KWH = 1_000_000
DATE_WIDE = 44  # a date that begins behind this much before the margin would be cut off
INK, RULE, LINE = "#1c2430", "#c4cad1", "#0b5c8f"


def svg(evidence: Sequence[tuple[str, BoardCourse]], zone: ZoneInfo, texts: Texts, titles: Mapping[str, str]) -> str:
    """Two panels for each suspicion, one below the other: its words, the day on which it began, energies in kWh.

    Points and boards are called by their `titles`; the words of a suspicion are those that are stored, in English.
    """
    panels, output = list[str](), list[str]()
    for stored, course in evidence:
        text, board = wording.translated_line(texts.lang, stored, zone, titles), titles.get(course.board, course.board)
        output.append(text)
        high = [None if band is None else band / MWH_PER_KWH for band in course.band]
        band = Band([None if value is None else -value for value in high], high)
        made = partial(_panel, course=course, zone=zone, texts=texts)
        panels.append(made([text, texts("evidence-residual", board=board)], course.residual, band=band))
        panels.append(made(["", texts("evidence-cumulated", board=board)], course.cumulated))
    height = PANEL.height * len(panels)
    body = [f'<g transform="translate(0 {PANEL.height * i})">{panel}</g>' for i, panel in enumerate(panels)]
    title = escape("; ".join(output))
    box = f'viewBox="0 0 {PANEL.width} {height}" font-family="sans-serif" font-size="12"'
    head = f'<svg xmlns="http://www.w3.org/2000/svg" {box}>'
    white = f'<rect width="{PANEL.width}" height="{height}" fill="white"/>'
    return "\n".join([head, f"<title>{title}</title>", white, *body, "</svg>\n"])


def _panel(
    heads: Sequence[str],
    values: Sequence[int | None],
    *,
    course: BoardCourse,
    zone: ZoneInfo,
    texts: Texts,
    band: Band | None = None,
) -> str:
    edges = [*course.days_ms, course.days_ms[-1] + DAY_MS]
    track = Track([None if value is None else value / MWH_PER_KWH for value in values])
    drawn = chart(Form.LINES, [track], edges, size=PANEL, zone=zone, bands=[band] if band is not None else [])
    text, head = heads
    parts = [f'<text x="8" y="16" font-weight="bold">{escape(text)}</text>'] if text else []
    parts.append(f'<text x="8" y="34">{escape(head)} [kWh]</text>')
    parts += _axes(drawn, zone, texts)
    parts += [f'<path d="M{_path(area.places)}Z" fill="{LINE}" fill-opacity="0.16"/>' for area in drawn.areas]
    parts += [
        f'<path d="M{_path(stroke.places)}" fill="none" stroke="{LINE}" stroke-width="2"/>' for stroke in drawn.strokes
    ]
    return "\n".join([*parts, *_began(drawn, course, zone, texts)])


def _axes(drawn: Chart, zone: ZoneInfo, texts: Texts) -> list[str]:
    frame = drawn.frame
    right, foot = PANEL.width - PANEL.right, PANEL.height - PANEL.bottom
    parts = []
    for tick in frame.axis.ticks:
        y = frame.y(tick)
        label = number(tick, frame.axis.digits, texts.lang)
        parts.append(f'<path d="M{PANEL.left} {y}H{right}" stroke="{RULE if tick else INK}"/>')
        parts.append(f'<text x="{PANEL.left - 6}" y="{y + 4}" text-anchor="end">{label}</text>')
    for x, at in drawn.x_ticks:
        if x < right - DATE_WIDE:
            parts.append(f'<text x="{x}" y="{foot + 16}">{_day(texts, at.at_ms, zone)}</text>')
    return parts


def _began(drawn: Chart, course: BoardCourse, zone: ZoneInfo, texts: Texts) -> list[str]:
    """A broken line with its day."""
    if not drawn.frame.x_low <= course.began_ms <= drawn.frame.x_high:
        return []
    x, middle = drawn.frame.x(course.began_ms), (PANEL.left + PANEL.width - PANEL.right) / 2
    side = f'x="{x - 4}" text-anchor="end"' if x > middle else f'x="{x + 4}"'
    line = f'<path d="M{x} {PANEL.top}V{PANEL.height - PANEL.bottom}" stroke="{INK}" stroke-dasharray="4 3"/>'
    text = texts("evidence-began", day=_day(texts, course.began_ms, zone))
    return [line, f'<text {side} y="{PANEL.top + 10}">{escape(text)}</text>']


def _day(texts: Texts, at_ms: int, zone: ZoneInfo) -> str:
    return wording.date_words(texts.lang, str(day_of(at_ms, zone)))


def _path(places: Sequence[Place]) -> str:
    return "L".join(f"{x:g},{y:g}" for x, y in places)
