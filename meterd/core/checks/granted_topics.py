"""Topics that the broker granted and on which nothing comes: forbidden without a word, spelled wrong, or a device that is off.

A broker that keeps access rules in a file grants every subscription and then sends nothing (MQTT 5, 3.9: a SUBACK says that the
subscription was taken, not that messages will follow). Pure; findings out.
"""

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from itertools import pairwise

from meterd.core.model.finding import Finding
from meterd.core.model.finding_cause import remedy
from meterd.core.model.periods import text
from meterd.core.model.plan import Limits, Site

CAUSE = "nothing-received"
PERIODS = 2  # of a topic, until it is late: one may have ended just before the subscription
NAMED = 5  # topics that a sentence names


@dataclass(frozen=True, slots=True)
class Subscriptions:
    """Of one source: since when its broker serves it, and how many topics of live points it has."""

    source: str
    since_ms: int
    topics: int


def live_topics(site: Site, source: str) -> list[str]:
    """Topics of a source that carry registers of live points, in the order of the plan."""
    live = {point.name for point in site.points if point.counts}
    return list(dict.fromkeys(row.address for row in site.inputs if row.source == source and row.point in live))


def patience_ms(limits: Limits, since_ms: int, last_ms: int | None, times: Sequence[int]) -> int | None:
    """How long nothing may come on a topic after its subscription, in ms; None where `stale` alone judges it.

    `last_ms` is the newest value of its points (None: never any), `times` are the latest moments at which its own registers
    were read, in order (empty: never).

    >>> patience_ms(Limits(), 0, -5_000, [-15_000, -10_000, -5_000])
    60000
    >>> patience_ms(Limits(), 0, -5_000, [-605_000, -305_000, -5_000])
    600000
    """
    wait_ms = limits.first_value_s * 1000
    if last_ms is not None and since_ms - last_ms > limits.stale_after_s * 1000:
        return None  # silent before we came: `stale` tells it at once
    if len(times) == 1:
        return None  # it comes more rarely than `stale` waits
    return max(wait_ms, PERIODS * max((after - before for before, after in pairwise(times)), default=0))


def granted_finding(site: Site, subscriptions: Subscriptions, unheard: Sequence[str]) -> Finding | None:
    """One finding of a source whose broker granted topics on which nothing came within their time; None if there are none.

    Its points are those that have no other topic than these.
    """
    if not unheard:
        return None
    name, since = subscriptions.source, text(subscriptions.since_ms)
    more = f" and {len(unheard) - NAMED} more" if len(unheard) > NAMED else ""
    sentence = (
        f"source {name}: the broker granted the subscription, but nothing has come on {len(unheard)} of"
        f" {subscriptions.topics} topics since {since}: {', '.join(unheard[:NAMED])}{more}"
    )
    points = _only_on(site, name, set(unheard))
    return Finding(CAUSE, name, subscriptions.since_ms, sentence, remedy(CAUSE), points)


def _only_on(site: Site, source: str, topics: Collection[str]) -> tuple[str, ...]:
    ways: dict[str, set[bool]] = {}
    for row in site.inputs:
        ways.setdefault(row.point, set()).add(row.source == source and row.address in topics)
    return tuple(point.name for point in site.points if point.counts and ways.get(point.name) == {True})
