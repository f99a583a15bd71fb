"""A file that several plans may share, each with a copy of its own: which copy this plan has."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class PlanPart:
    """`name` is relative to the plan; `digest` is of what the file means, the same for copies that mean the same.

    `newest_ms` is when the last of its prices begins; None for a file without dates.
    """

    name: str
    digest: str
    newest_ms: int | None = None
