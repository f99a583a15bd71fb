"""Numbers as people write them, whole columns at once: decimal comma, thousands separators, units in the cell. No I/O."""

import re
from dataclasses import dataclass
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from meterd.adapters.sources.files.cells import Cells, numbers

THOUSANDS = {".": r"\.", ",": ",", "'": "['\u2019]", " ": "[ \u00a0\u202f\u2009]"}
DECIMALS = (",", ".")
_NUMBER = re.compile(
    r"^[+\u2212-]?[0-9][0-9.,'\u2019 \u00a0\u202f\u2009]*[+-]?(?:[eE][+-]?[0-9]+)?(?:\s*[A-Za-z/%]+)?$"
)
_DRESS = re.compile(f"{THOUSANDS[chr(39)]}|{THOUSANDS[' ']}|[A-Za-z/%]+$")
_GROUPED = {mark: re.compile(rf"^[+-]?[0-9]{{1,3}}(?:{re.escape(mark)}[0-9]{{3}})+$") for mark in DECIMALS}
REASONS_LIMIT = 100_000  # reasons of one column kept, as rows are listed in a file


@dataclass(frozen=True, slots=True)
class NumberStyle:
    """How numbers are written. `decimal` is empty where both readings fit; then `example` is a number that fits both."""

    decimal: str = ""
    thousands: str = ""
    example: str = ""


def number_style(texts: NDArray[np.object_]) -> NumberStyle:
    """The decimal sign and the thousands separator by all numbers of a file. Without either sign a point is the decimal."""
    cells = {text.strip() for text in texts.tolist() if _NUMBER.match(text.strip())}
    blank = next((mark for mark in ("'", " ") if any(re.search(rf"[0-9]{THOUSANDS[mark]}[0-9]", c) for c in cells)), "")
    plain = {re.sub(_DRESS, "", cell) for cell in cells}
    marked = {cell for cell in plain if "," in cell or "." in cell}
    both = next((cell for cell in marked if "," in cell and "." in cell), None)
    if both is not None:
        decimal = max(DECIMALS, key=both.rfind)
        return NumberStyle(decimal, "." if decimal == "," else ",")
    for decimal, other in ((",", "."), (".", ",")):
        mine = {cell for cell in marked if decimal in cell}
        if any(not _could_be_grouped(cell, decimal) for cell in mine):
            return NumberStyle(decimal, blank)
        if any(cell.count(decimal) > 1 for cell in mine):
            return NumberStyle(other, decimal)
    if not marked:
        return NumberStyle(".", blank)
    if any(
        cell.lstrip("+-").isdigit() and len(cell) > 4 for cell in plain
    ):  # 12345 beside 1.234: no sign parts thousands
        return NumberStyle("," if "," in next(iter(marked)) else ".", blank)
    if blank:  # a blank or an apostrophe parts the thousands, so the other sign is the decimal one
        return NumberStyle("," if "," in next(iter(marked)) else ".", blank)
    return NumberStyle("", "", min(marked))


def _could_be_grouped(cell: str, mark: str) -> bool:
    """Whether the sign could part thousands: groups of three digits, and no zero before them."""
    return bool(_GROUPED[mark].match(cell)) and not cell.lstrip("+-").startswith("0")


def read_numbers(texts: NDArray[np.object_], typed: NDArray[np.bool_], style: NumberStyle, unit: str = "") -> Cells:
    """A column of texts as numbers. `typed` cells are written with a point; `unit` may stand behind a number."""
    column = pc.utf8_trim_whitespace(pa.array(texts, pa.string(), from_pandas=False))
    own = _plain(column, style, unit)
    cells = numbers(pc.if_else(pa.array(typed), column, own) if typed.any() else own, "numbers")
    right = f"write a number such as 1234{style.decimal or '.'}5"
    bad = np.flatnonzero(cells.bad)[:REASONS_LIMIT]
    return Cells(cells.values, cells.good, cells.missing, {int(row): f"no number; {right}" for row in bad})


def _plain(column: Any, style: NumberStyle, unit: str) -> Any:
    """Texts of a style as plain numbers with a point; `?` for what is not written in this style."""
    decimal, group = style.decimal or ".", THOUSANDS.get(style.thousands, "")
    own = pc.replace_substring(column, "\u2212", "-")
    if unit:
        own = pc.replace_substring_regex(own, rf"\s*{re.escape(unit)}$", "")
    own = pc.replace_substring_regex(own, r"^([0-9].*)-$", r"-\1")  # a minus behind the number
    whole = rf"[0-9]+|[0-9]{{1,3}}(?:{group}[0-9]{{3}})+" if group else "[0-9]+"
    shape = rf"^(?:[+-]?(?:{whole})?(?:{re.escape(decimal)}[0-9]*)?(?:[eE][+-]?[0-9]+)?)$"
    fits = pc.match_substring_regex(own, shape)
    if group:
        own = pc.replace_substring_regex(own, group, "")
    return pc.if_else(fits, pc.replace_substring(own, decimal, "."), "?")
