"""CUSUM paths of a drill as an SVG drawing: one line style per hypothesis, so that meaning never hangs on colour alone."""

from collections.abc import Iterator, Sequence
from html import escape
from zoneinfo import ZoneInfo

from meterd.core.drift.simulated_fault import Drill
from meterd.core.model.periods import day_of

WIDTH, HEIGHT = 900, 420
LEFT, RIGHT, TOP, BOTTOM = 60, 230, 50, 50
GROSS = "gross"  # found by one day alone, without a chart
UPRIGHT = 'stroke="black" stroke-dasharray="3 3"'
THICK = 'stroke="black" stroke-width="3" stroke-opacity="0.35"'
# dark colours of clearly different lightness, distinguished also without colour vision; each with its own dashes
STYLES = (
    ("#1b1b3a", ""),
    ("#b3541e", "8 3"),
    ("#2f6690", "2 3"),
    ("#7a7a2e", "10 3 2 3"),
    ("#8c2f5b", "5 5"),
    ("#4f4f4f", "1 2"),
)


def _alarm(result: Drill) -> int:
    """The evening on which a chart passed its threshold, behind the last day without one. With the alarm it began anew."""
    if result.found_ms is None or result.found_by == GROSS:
        return len(result.day_ms)
    return max(sum(day < result.found_ms for day in result.day_ms) - 1, 0)


def svg(result: Drill) -> str:
    """The drawing as text. Days to the right, the higher side of each chart upwards, the threshold as a thick line."""
    count = len(result.day_ms)
    top = max([*result.threshold, *(v for path in result.paths for v in path), 1.0]) * 1.05

    def x(i: int) -> float:
        return LEFT + (WIDTH - LEFT - RIGHT) * i / max(count - 1, 1)

    def y(value: float) -> float:
        return HEIGHT - BOTTOM - (HEIGHT - TOP - BOTTOM) * value / top

    def line(values: Sequence[float], style: str, first: int = 0) -> str:
        points = " ".join(f"{x(i):.1f},{y(v):.1f}" for i, v in enumerate(values, first))
        return f'<polyline points="{points}" fill="none" {style}/>'

    def upright(at_x: float, words: str, at_y: float) -> Iterator[str]:
        yield f'<line x1="{at_x:.1f}" x2="{at_x:.1f}" y1="{TOP}" y2="{HEIGHT - BOTTOM}" {UPRIGHT}/>'
        side = 'x="%.1f" text-anchor="end"' % (at_x - 4) if at_x > (LEFT + WIDTH - RIGHT) / 2 else f'x="{at_x + 4:.1f}"'
        yield f'<text {side} y="{at_y}">{words}</text>'

    body = [
        f'<rect width="{WIDTH}" height="{HEIGHT}" fill="white"/>',
        f'<text x="{LEFT}" y="22" font-weight="bold">{escape(result.point)} reading {result.factor:g} of the truth</text>',
        f'<text x="{LEFT}" y="38">{escape(result.text)}</text>',
        f'<path d="M{LEFT} {TOP}V{HEIGHT - BOTTOM}H{WIDTH - RIGHT}" fill="none" stroke="black"/>',
        f'<text x="{LEFT - 8}" y="{y(0):.1f}" text-anchor="end">0</text>',
        f'<text x="{LEFT - 8}" y="{y(top) + 10:.1f}" text-anchor="end">{top:.0f}</text>',
        line(result.threshold, THICK),
    ]
    alarm = _alarm(result)
    # the point of the drill last, so that it lies on top of those that rise with it
    for k, (name, path) in reversed(list(enumerate(zip(result.shown, result.paths, strict=True)))):
        colour, dashes = STYLES[k % len(STYLES)]
        style = f'stroke="{colour}" stroke-width="{1.6 if k else 2.4}" stroke-dasharray="{dashes}"'
        at = TOP + 16 + 20 * k
        body += [line(path[:alarm], style), *([line(path[alarm + 1 :], style, alarm + 1)] if path[alarm + 1 :] else [])]
        body.append(f'<line x1="{WIDTH - RIGHT + 12}" x2="{WIDTH - RIGHT + 48}" y1="{at}" y2="{at}" {style}/>')
        body.append(f'<text x="{WIDTH - RIGHT + 54}" y="{at + 4}">{escape(name.removeprefix("ratio "))}</text>')
    at = TOP + 16 + 20 * len(result.shown)
    body.append(f'<line x1="{WIDTH - RIGHT + 12}" x2="{WIDTH - RIGHT + 48}" y1="{at}" y2="{at}" {THICK}/>')
    body.append(f'<text x="{WIDTH - RIGHT + 54}" y="{at + 4}">threshold</text>')
    starts = [i for i, day in enumerate(result.day_ms) if day >= result.from_ms]
    if starts:
        at_x = x(max(starts[0] - 1, 0))  # a value is that of an evening: the fault begins after the evening before
        body += upright(at_x, "fault begins", TOP + 10)
    if alarm < count:
        body += upright(x(alarm), "found", TOP + 26)
    if count:
        last = HEIGHT - BOTTOM + 18
        first_day, last_day = (day_of(result.day_ms[i], ZoneInfo(result.zone)) for i in (0, -1))
        body.append(f'<text x="{LEFT}" y="{last}">{first_day}</text>')
        body.append(f'<text x="{WIDTH - RIGHT}" y="{last}" text-anchor="end">{last_day}</text>')
    head = f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {HEIGHT}" font-family="sans-serif" font-size="12">'
    return "\n".join([head, f"<title>{escape(result.text)}</title>", *body, "</svg>\n"])
