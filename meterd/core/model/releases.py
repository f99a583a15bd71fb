"""What each released version brought that an existing site notices: schema of the store, keys of the plan, other figures.

A key that a version adds stands here with it; `tests/test_released.py` holds the list against the keys of released versions.
"""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Release:
    """One version. `keys` are new ones of the plan, `table.*` a whole new table; `figures` says what is made otherwise."""

    version: str
    schema: int
    keys: tuple[str, ...] = ()
    deprecated: tuple[tuple[str, str], ...] = ()  # a key that still works, and what took its place
    figures: tuple[str, ...] = ()


RELEASES = (
    Release("0.1.0", 6),
    Release(
        "0.2.0",
        12,
        keys=(
            "login.*", "schedule.*", "tariff.*", "limits.drift_pause_s", "limits.first_value_s", "limits.surplus_plenty_w",
            "limits.surplus_some_w", "sharing.can_take_s", "consumer.can_take", "consumer.can_take_source", "page.path",
            "page.proxies", "page.wall", "page.wall_s", "site.announce", "site.temperature", "site.tariff", "site.holidays",
            "baseline.*", "point.unusual_percent", "point.night_max_w", "instrument.type", "forecast.*",
            "point.peak_kwp",
        ),
        figures=(
            "a balance of an estimated interval or hour has no verdict; a longer one is judged with a band that holds"
            " the estimate",
            "a consumption (import - export + production) below zero is missing",
            "the month and year in which a register begins have the energy since then; before, they were missing",
            "the ratio of a current transformer multiplies powers of its secondary side too",
            "the feed of a board below counts once",
        ),
    ),
)  # fmt: skip


def since(schema: int) -> tuple[Release, ...]:
    """The releases after the one that wrote a store of a schema.

    >>> [release.version for release in since(6)]
    ['0.2.0']
    """
    return tuple(release for release in RELEASES if release.schema > schema)


def writer_of(schema: int) -> str:
    """Which version wrote a store of a schema, as far as that is known."""
    return next((release.version for release in RELEASES if release.schema >= schema), "a later version")
