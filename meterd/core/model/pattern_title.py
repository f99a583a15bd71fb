"""What people call the copies of a pattern together: the title that they share, without their numbers."""

from collections import Counter

from meterd.core.model.plan import Site

_AT_ENDS = " ,;:.-–(/)#"  # what may stand between a title and the number


def pattern_title(site: Site, pattern: str, drawn: str = "") -> str:
    """Studio, where the copies are "Studio 01", "Studio 02, kiln" and so on; empty where most of them share no title.

    A pattern may draw several points; `drawn` is one of them, as it is named in the pattern.
    """
    rows = [copied for copied in site.copied if copied.pattern == pattern and drawn in ("", copied.drawn)]
    if len({copied.drawn for copied in rows}) != 1:
        return ""
    titles = [_without_number(copied.drawn, name, site.point(name).title) for copied in rows for name in copied.points]
    title, times = Counter(titles).most_common(1)[0]
    return title if 2 * times > len(titles) else ""


def _without_number(drawn: str, name: str, title: str) -> str:
    """The title of a copy without its number, which is what its name has in the place of {n}."""
    before, _, after = drawn.partition("{n}")
    number = name[len(before) : len(name) - len(after)]
    if not number or number not in title:
        return title
    left, _, right = title.partition(number)
    return " ".join(part for part in (left.strip(_AT_ENDS), right.strip(_AT_ENDS)) if part)
