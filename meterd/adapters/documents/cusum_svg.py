"""CUSUM paths of a drill as an SVG drawing: one line style per hypothesis, so that meaning never hangs on colour alone."""

from collections.abc import Iterator, Mapping, Sequence
from functools import partial
from html import escape
from textwrap import wrap
from zoneinfo import ZoneInfo

from meterd.adapters.documents.formats import number
from meterd.adapters.documents.texts import Texts
from meterd.adapters.texts import wording
from meterd.core.drift.simulated_fault import Drill
from meterd.core.model.periods import day_of

WIDTH, HEIGHT = 900, 420
LEFT, RIGHT, TOP, BOTTOM = 60, 230, 50, 50
LINE_HIGH, LETTERS, LETTER_WIDE = 16, 130, 7  # of the sentence below the drawing, and how wide a letter is at most
KINDS = {"ratio": "", "ct-set": "drill-ct-set", "standing": "drill-standing", "loss": "drill-loss"}
KEY = 54  # from the frame to the words of the key
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


def hypothesis_words(name: str, texts: Texts, titles: Mapping[str, str]) -> str:
    """What a path stands for: a meter by the title of its point, the meters of one CT set, a load or a loss of a board."""
    kind, _, what = name.partition(" ")
    place = what.removeprefix("board ").removeprefix("below ")
    title = titles.get(place, place)
    if kind not in KINDS:
        return name
    title = texts("drill-below", point=title) if what.startswith("below ") else title
    return texts(KINDS[kind], what=title) if KINDS[kind] else title


def svg(result: Drill, texts: Texts, titles: Mapping[str, str]) -> str:
    """The drawing as text. Days to the right, the higher side of each chart upwards, the threshold as a thick line.

    Points and boards are called by their `titles`; the frame keeps its place, and the drawing is as wide as its key needs.
    """
    count = len(result.day_ms)
    top = max([*result.threshold, *(v for path in result.paths for v in path), 1.0]) * 1.05

    def x(i: int) -> float:
        return LEFT + (WIDTH - LEFT - RIGHT) * i / max(count - 1, 1)

    def y(value: float) -> float:
        return HEIGHT - BOTTOM - (HEIGHT - TOP - BOTTOM) * value / top

    def line(values: Sequence[float], style: str, first: int = 0) -> str:
        points = " ".join(f"{x(i):.1f},{y(v):.1f}" for i, v in enumerate(values, first))
        return f'<polyline points="{points}" fill="none" {style}/>'

    def upright(at_x: float, message: str, at_y: float) -> Iterator[str]:
        yield f'<line x1="{at_x:.1f}" x2="{at_x:.1f}" y1="{TOP}" y2="{HEIGHT - BOTTOM}" {UPRIGHT}/>'
        side = 'x="%.1f" text-anchor="end"' % (at_x - 4) if at_x > (LEFT + WIDTH - RIGHT) / 2 else f'x="{at_x + 4:.1f}"'
        yield f'<text {side} y="{at_y}">{message}</text>'

    point, zone = titles.get(result.point, result.point), ZoneInfo(result.zone)
    sentence = wrap(wording.translated_line(texts.lang, result.text, zone, titles), LETTERS)
    body = [
        f'<text x="{LEFT}" y="22" font-weight="bold">{escape(_head(result, point, texts))}</text>',
        *(f'<text x="8" y="{HEIGHT + LINE_HIGH * k}">{escape(part)}</text>' for k, part in enumerate(sentence)),
        f'<path d="M{LEFT} {TOP}V{HEIGHT - BOTTOM}H{WIDTH - RIGHT}" fill="none" stroke="black"/>',
        f'<text x="{LEFT - 8}" y="{y(0):.1f}" text-anchor="end">0</text>',
        f'<text x="{LEFT - 8}" y="{y(top) + 10:.1f}" text-anchor="end">{number(top, 0, texts.lang)}</text>',
        line(result.threshold, THICK),
    ]
    alarm, names = _alarm(result), [hypothesis_words(name, texts, titles) for name in result.shown]
    # the point of the drill last, so that it lies on top of those that rise with it
    for k, (name, path) in reversed(list(enumerate(zip(names, result.paths, strict=True)))):
        colour, dashes = STYLES[k % len(STYLES)]
        style = f'stroke="{colour}" stroke-width="{1.6 if k else 2.4}" stroke-dasharray="{dashes}"'
        body += [line(path[:alarm], style), *([line(path[alarm + 1 :], style, alarm + 1)] if path[alarm + 1 :] else [])]
        body += _key(k, style, name)
    body += _key(len(names), THICK, texts("drill-threshold"))
    starts = [i for i, day in enumerate(result.day_ms) if day >= result.from_ms]
    if starts:
        at_x = x(max(starts[0] - 1, 0))  # a value is that of an evening: the fault begins after the evening before
        body += upright(at_x, texts("drill-begins"), TOP + 10)
    if alarm < count:
        body += upright(x(alarm), texts("drill-found"), TOP + 26)
    if count:
        last, day = HEIGHT - BOTTOM + 18, partial(_day, result, texts)
        body.append(f'<text x="{LEFT}" y="{last}">{day(0)}</text>')
        body.append(f'<text x="{WIDTH - RIGHT}" y="{last}" text-anchor="end">{day(-1)}</text>')
    wide = max(WIDTH, WIDTH - RIGHT + KEY + LETTER_WIDE * max(map(len, names), default=0))
    return _drawing(body, (wide, HEIGHT + LINE_HIGH * len(sentence)), " ".join(sentence))


def _head(result: Drill, point: str, texts: Texts) -> str:
    return texts("drill-head", point=point, factor=wording.figure(texts.lang, f"{result.factor:g}"))


def _day(result: Drill, texts: Texts, i: int) -> str:
    return wording.date_words(texts.lang, str(day_of(result.day_ms[i], ZoneInfo(result.zone))))


def _key(k: int, style: str, text: str) -> list[str]:
    """What a line style stands for, right of the frame."""
    at, left = TOP + 16 + 20 * k, WIDTH - RIGHT
    return [
        f'<line x1="{left + 12}" x2="{left + 48}" y1="{at}" y2="{at}" {style}/>',
        f'<text x="{left + KEY}" y="{at + 4}">{escape(text)}</text>',
    ]


def _drawing(body: Sequence[str], size: tuple[int, int], title: str) -> str:
    wide, high = size
    head = (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {wide} {high}" font-family="sans-serif" font-size="12">'
    )
    white = f'<rect width="{wide}" height="{high}" fill="white"/>'
    return "\n".join([head, f"<title>{escape(title)}</title>", white, *body, "</svg>\n"])
