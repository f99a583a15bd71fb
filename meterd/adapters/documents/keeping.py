"""What stays together on a page: a heading with what it heads, sums with their rows, the end with its last chapter."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import accumulate, takewhile

from reportlab.platypus import Flowable, FrameBreak, LongTable, TableStyle

from meterd.adapters.documents.model import Bars, Block, Course, Facts, Heading, HoursMap, Table, Text

ENDLESS = 1e6  # points: high enough for any table, so that all rows are measured
LEAST = 113.0  # points, 40 mm: a heading at the foot of a page without this much below it goes to the next
FIRST_ROWS = 2  # of a long table stand below its heading
WHOLE_ROWS = 12  # a table with sums and no more rows is not divided
FEW_ROWS = 4  # nor is one without sums and no more than these


@dataclass(frozen=True, slots=True)
class Piece:
    """A block with the flowables it became."""

    block: Block
    flowables: tuple[Flowable, ...]


class PagedTable(LongTable):  # type: ignore[misc]
    """A table over any number of pages. Where it fits and what is `below` it does not, its last row goes there too."""

    below = 0.0

    def wrap(self, width: float, height: float) -> tuple[float, float]:
        """Its size; with what is below it where both do not fit, so that it is divided."""
        wide, high = super().wrap(width, height)
        return wide, high + self.below if self._gives(high, height) else high

    def split(self, width: float, height: float) -> list[Flowable]:
        """The pieces; what is below the table is below the last one."""
        high = super().wrap(width, height)[1]
        gives = self._gives(high, height)
        pieces: list[Flowable] = super().split(width, high - 1 if gives else height)
        if pieces:
            pieces[-1].below = self.below
        return [*pieces[:-1], FrameBreak(), *pieces[-1:]] if gives and pieces else pieces

    def _gives(self, high: float, height: float) -> bool:
        return self.below > 0 and self._nrows > 1 + FIRST_ROWS and high <= height < high + self.below


def space_needed(pieces: Sequence[Piece], width: float, height: float) -> list[float]:
    """For each piece how much of a page must be free below it, or it begins a new page; 0 where it does not matter."""
    heights = [_height(piece, width) for piece in pieces]
    for piece in pieces:
        _hold_rows(piece, height)
    needs = [_needed(pieces, heights, i) if isinstance(p.block, Heading) else 0.0 for i, p in enumerate(pieces)]
    below = [*accumulate(reversed(heights))][::-1]
    for i in _endings(pieces):
        if below[i] <= height:
            needs[i:] = [below[i], *(0.0 for _ in pieces[i + 1 :])]
            if i and not isinstance(pieces[i].block, Heading):
                _give_rows(pieces[i - 1], below[i - 1])
            break
    return [min(need, height) for need in needs]


def _endings(pieces: Sequence[Piece]) -> list[int]:
    """Where the end of a document may begin, the best first: with its last chapter that is more than text, or a note."""
    chapters = [i for i, p in enumerate(pieces) if isinstance(p.block, Heading) and p.block.level == 1]
    if not chapters:
        return []
    last = chapters[-1]
    if len(chapters) == 1 or not all(isinstance(p.block, Text) for p in pieces[last + 1 :]):
        return [last]
    before = last - 1 if isinstance(pieces[last - 1].block, Text) else last
    return [chapters[-2], before]


def _give_rows(piece: Piece, height: float) -> None:
    """A table above the end of a document gives it its last row where the end would stand alone on a page.

    `height` is that of both.
    """
    if isinstance(piece.block, Table) and not _is_whole(piece.block):
        _table(piece).below = height - sum(_row_heights(piece))


def _needed(pieces: Sequence[Piece], heights: Sequence[float], heading: int) -> float:
    """The height of a heading with the texts behind it, and of as much of what follows as must not be missing."""
    whole, i = 0.0, heading
    while i < len(pieces) and isinstance(pieces[i].block, Heading | Text):
        whole, i = whole + heights[i], i + 1
    if i == len(pieces):
        return max(LEAST, whole)
    block, own = pieces[i].block, heights[i]
    if isinstance(block, Course | HoursMap) or (isinstance(block, Table) and _is_whole(block)):
        notes = takewhile(
            lambda pair: isinstance(pair[0].block, Text), zip(pieces[i + 1 :], heights[i + 1 :], strict=True)
        )
        return max(LEAST, whole + own + sum(height for _, height in notes))
    after = i + 1 < len(pieces) and isinstance(pieces[i + 1].block, Bars | Course | HoursMap)
    if isinstance(block, Facts) and after:  # a chart says nothing without the facts that it shows
        return max(LEAST, whole + own + heights[i + 1])
    least = sum(_row_heights(pieces[i])[: 1 + FIRST_ROWS]) if isinstance(block, Table) else min(own, LEAST)
    return max(LEAST, whole + least)


def _is_whole(block: Table) -> bool:
    return len(block.rows) <= (WHOLE_ROWS if block.sums else FEW_ROWS)


def _hold_rows(piece: Piece, height: float) -> None:
    """A short table stays whole, and of a long one the sums stay with the row above; if a page holds them.

    A row that no page holds is divided.
    """
    if not isinstance(piece.block, Table):
        return
    rows = _row_heights(piece)
    if max(rows[1:], default=0) + rows[0] > height:
        _table(piece).splitInRow = 1
    if not piece.block.sums and not _is_whole(piece.block):
        return
    last = len(piece.block.rows) if _is_whole(piece.block) else piece.block.sums + 1
    if sum(rows[-last:]) + rows[0] <= height / 2:
        _table(piece).setStyle(TableStyle([("NOSPLIT", (0, -last), (-1, -1))]))


def _table(piece: Piece) -> "PagedTable":
    return next(flowable for flowable in piece.flowables if isinstance(flowable, PagedTable))


def _row_heights(piece: Piece) -> Sequence[float]:
    heights: Sequence[float] = _table(piece)._rowHeights  # reportlab has no other way to them
    return heights


def _height(piece: Piece, width: float) -> float:
    """As if nothing of it shared its space with what stands above or below."""
    return float(sum(
        own.getSpaceBefore() + own.wrapOn(None, width, ENDLESS)[1] + own.getSpaceAfter() for own in piece.flowables
    ))  # fmt: skip
