"""Copies of a file at several sites: the sites with another copy than the current one, and how that one is known."""

import pytest

from meterd.core.model.plan_part import PlanPart
from meterd.core.topics.shared_files import Judged, differing_files


@pytest.mark.parametrize(
    ("copies", "judged", "behind"),
    [
        ([("a", 1), ("a", 1)], None, []),
        ([("a", 1), ("b", 2), ("a", 1)], Judged.DATES, ["s0", "s2"]),  # the newer one counts, also where few have it
        ([("a", 1), ("b", 1), ("a", 1)], Judged.MOST, ["s1"]),  # a price was mended: the dates say nothing
        ([("a", 1), ("b", 1)], Judged.UNKNOWN, ["s0", "s1"]),
        ([("a", None), ("b", None), ("b", None)], Judged.MOST, ["s0"]),
        ([("a", None), ("b", None), ("c", None), ("c", None)], Judged.UNKNOWN, ["s0", "s1", "s2", "s3"]),
    ],
)
def test_the_current_copy_is_the_newest_or_that_of_most(
    copies: list[tuple[str, int | None]], judged: Judged | None, behind: list[str]
) -> None:
    """Sites without the file do not count, and files of other names stand apart."""
    sites = [
        (f"s{i}", (PlanPart("north.toml", *copy), PlanPart(f"own-{i}.toml", "x"))) for i, copy in enumerate(copies)
    ]
    results = differing_files([*sites, ("bare", ())])
    assert [(file.judged, list(file.sites), file.of) for file in results] == (
        [] if judged is None else [(judged, behind, len(copies))]
    )
    assert all("north.toml" in file.words and ", ".join(behind) in file.words for file in results)
