"""Long lists in parts: a page shows some hundred rows at once, those that are asked for by number or by a piece of a name.

A program that asks for no part gets the whole list.
"""

from collections.abc import Callable, Sequence
from typing import Annotated, TypeVar

from fastapi import Depends, Query, Request

from meterd.adapters.web.common import Values

MOST_ROWS = 200  # a row of a page is about 400 bytes: below 100 kB

WHOLE = 0  # in place of the number of a part
_ASKED = Query(ge=1, le=1_000_000, description=f"part of a long list: {MOST_ROWS} rows each; without it the whole list")


def part_asked(request: Request, part: Annotated[int | None, _ASKED] = None) -> int:
    """The number that was asked for; without one a page shows the first part, and a program gets all."""
    if part is not None:
        return part
    return WHOLE if request.url.path.startswith("/api/") else 1


PartNumber = Annotated[int, Depends(part_asked)]
NamePiece = Annotated[str, Query(max_length=60, description="only points whose name or title contains this")]
Row = TypeVar("Row")


class ListPart(Values):
    """Which rows of a list are shown: `first` to `last` (from 1; 0 of an empty list) of `of`, in part `part` of `parts`.

    `of` counts rows whose name or title contains `named`.
    """

    part: int
    parts: int
    first: int
    last: int
    of: int
    named: str


def part_of(
    rows: Sequence[Row], part: int, named: str, names: Callable[[Row], tuple[str, str]]
) -> tuple[list[Row], ListPart]:
    """The rows of a part of those with that piece in their `names`, in their order. A part beyond the end is the last.

    `part` 0 is the whole list.
    """
    piece = named.casefold().strip()
    some = [row for row in rows if any(piece in name.casefold() for name in names(row))] if piece else list(rows)
    size = MOST_ROWS if part != WHOLE else max(1, len(some))
    parts = max(1, -(-len(some) // size))
    shown = min(max(1, part), parts)
    low = (shown - 1) * size
    here = some[low : low + size]
    span = (low + 1, low + len(here)) if here else (0, 0)
    return here, ListPart(part=shown, parts=parts, first=span[0], last=span[1], of=len(some), named=named)
