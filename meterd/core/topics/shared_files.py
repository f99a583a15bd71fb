"""Files that the plans of several sites have copies of (a tariff, patterns): which copies are not the current one.

Copies with the same name belong together. Of copies with prices that one is current whose prices begin last; where that says
nothing, the one that more than half of the sites have.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum

from meterd.core.model.plan_part import PlanPart


class Judged(StrEnum):
    """How it is known which copy is current."""

    DATES = "dates"
    MOST = "most"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class DifferingFile:
    """A file that is not the same at all sites that have it, which are `of`.

    `sites` have another copy than the current one; all of them where it is not known which is current.
    """

    name: str
    judged: Judged
    sites: tuple[str, ...]
    of: int
    copies: int  # that differ from each other

    @property
    def words(self) -> str:
        """In one line."""
        named = ", ".join(self.sites)
        if self.judged is Judged.UNKNOWN:
            return f"{self.name}: {self.copies} different copies at {self.of} sites: {named}"
        what = "is out of date" if self.judged is Judged.DATES else "is not the copy of the other sites"
        return f"{self.name} {what} at {len(self.sites)} of {self.of} sites: {named}"


def differing_files(sites: Iterable[tuple[str, tuple[PlanPart, ...]]]) -> list[DifferingFile]:
    """Each file with copies that differ, by name; `sites` are names of sites with the files of their plans.

    >>> old, new = PlanPart("north.toml", "aa", 1), PlanPart("north.toml", "bb", 2)
    >>> print(differing_files([("mill", (old,)), ("quay", (new,)), ("yard", (old,))])[0].words)
    north.toml is out of date at 2 of 3 sites: mill, yard
    """
    held: dict[str, list[tuple[str, PlanPart]]] = {}
    for site, parts in sites:
        for part in parts:
            held.setdefault(part.name, []).append((site, part))
    return [_judged(name, where) for name, where in sorted(held.items()) if len({part.digest for _, part in where}) > 1]


def _judged(name: str, held: list[tuple[str, PlanPart]]) -> DifferingFile:
    digests = [part.digest for _, part in held]
    newest = max((part.newest_ms for _, part in held if part.newest_ms is not None), default=None)
    latest = {part.digest for _, part in held if newest is not None and part.newest_ms == newest}
    common = max(set(digests), key=digests.count)
    if len(latest) == 1:
        judged, current = Judged.DATES, latest.pop()
    elif 2 * digests.count(common) > len(digests):
        judged, current = Judged.MOST, common
    else:
        judged, current = Judged.UNKNOWN, ""
    behind = tuple(sorted(site for site, part in held if part.digest != current))
    return DifferingFile(name, judged, behind, len(held), len(set(digests)))
