"""Lines of the bench tables: what meterd does against what the bare library does in the same run."""

from collections.abc import Iterable
from dataclasses import dataclass

HEADER = ("bench", "measured", "meterd", "bare", "ratio", "aim", "note")


@dataclass(frozen=True, slots=True)
class Line:
    """One measured figure. `ratio` is meterd over bare as written; empty texts where there is nothing to compare."""

    bench: str
    measured: str
    meterd: str
    bare: str = ""
    ratio: float | None = None
    aim: str = ""
    note: str = ""

    def cells(self) -> tuple[str, ...]:
        """The line as texts, in the order of the header."""
        ratio = "" if self.ratio is None else f"{self.ratio:.2f}"
        return self.bench, self.measured, self.meterd, self.bare, ratio, self.aim, self.note


def markdown(lines: Iterable[Line]) -> str:
    """The lines as a Markdown table, columns of one width.

    >>> print(markdown([Line("replay", "time", "2.0 s", "4.0 s", 0.5)]))
    | bench  | measured | meterd | bare  | ratio | aim | note |
    |--------|----------|--------|-------|-------|-----|------|
    | replay | time     | 2.0 s  | 4.0 s | 0.50  |     |      |
    """
    rows = [HEADER, *(line.cells() for line in lines)]
    widths = [max(len(row[i]) for row in rows) for i in range(len(HEADER))]
    texts = ["| " + " | ".join(cell.ljust(w) for cell, w in zip(row, widths, strict=True)) + " |" for row in rows]
    rule = "|" + "|".join("-" * (w + 2) for w in widths) + "|"
    return "\n".join([texts[0], rule, *texts[1:]])


def percentile(values: Iterable[float], share: float) -> float:
    """The smallest value that at least that share of the values does not exceed.

    >>> percentile([4.0, 1.0, 3.0, 2.0], 0.5), percentile([4.0, 1.0, 3.0, 2.0], 0.99)
    (2.0, 4.0)
    """
    ordered = sorted(values)
    place = -int(-share * len(ordered) // 1) - 1
    return ordered[min(max(place, 0), len(ordered) - 1)]
