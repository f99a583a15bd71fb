"""Lines that a database refused and may take now: which of them, with few questions."""

from collections.abc import Callable, Iterator
from itertools import groupby
from pathlib import Path

Takes = Callable[[list[str]], bool]
MOST = 100  # refusals of one batch after which the rest of it stays


def again_file(store: Path) -> Path:
    """A file beside a store that asks the process that writes it to send refused lines again at once."""
    return store.with_name(store.name + ".lines-again")


def asked(store: Path) -> bool:
    """Whether somebody asked; once."""
    try:
        again_file(store).unlink()
    except OSError:
        return False
    return True


def taken(refused: Callable[[str, int], list[str]], takes: Takes, batch: int) -> Iterator[list[str]]:
    """Lines that are taken now. `refused` gives some in order, behind a line.

    A measurement whose first line is still refused is left for the next time: a database that has not changed is not asked
    ten thousand questions.
    """
    after, shut = "", set[str]()
    while some := refused(after, batch):
        after = some[-1]
        for kind, group in groupby(some, key=lambda line: line.partition(",")[0]):
            lines = list(group)
            if kind in shut or not takes(lines[:1]):
                shut.add(kind)
            else:
                yield from halves(lines, takes)


def halves(lines: list[str], takes: Takes) -> Iterator[list[str]]:
    """The parts of some lines that are taken, found by halving; a single one that is not is left out."""
    parts, refusals = [lines], 0
    while parts and refusals < MOST:
        part = parts.pop()
        if takes(part):
            yield part
        else:
            refusals += 1
            middle = len(part) // 2
            parts += [part[middle:], part[:middle]] if middle else []
