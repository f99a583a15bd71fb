"""What a changed plan means for figures that are closed: an exchange entered later, a ratio put right, a point renamed."""

import json
import logging
from collections.abc import Sequence

from meterd.app.logs import about
from meterd.figure import Channel
from meterd.meter_clock import KEPT as METER_CLOCKS
from meterd.meter_clock import clocks_in, words_of
from meterd.pipeline import State
from meterd.register import Rule
from meterd.site import Site
from meterd.store.renames import adopt
from meterd.store.sqlite import SqliteStore

log = logging.getLogger("meterd")

_KEPT = "instruments"  # the instruments that the closed figures were made with
Facts = list[list[int | None]]


def take_names(store: SqliteStore, site: Site) -> list[Channel]:
    """Let the history of every point that has a new name go on under it.

    Returns the registers of which both names had a history, so that their figures are made again. StoreError as usual.
    """
    known = {point for point, _ in store.channels()}
    wanted = [(old, point.name) for point in site.points for old in point.aliases if old in known]
    if not wanted:
        return []
    kept: dict[str, Facts] = json.loads(store.fact(_KEPT) or "{}")
    found: list[Channel] = []
    with store.transaction():
        for old, new in wanted:
            found += [(new, register) for register in adopt(store, old, new)]
            log.warning(
                "point %s is called %s now; its history goes on under the new name",
                old,
                new,
                extra=about("renamed", new),
            )
            for key in [key for key in kept if key.startswith(f"{old} ")]:
                kept.setdefault(new + key.removeprefix(old), kept.pop(key))
        store.set_fact(_KEPT, json.dumps(kept, separators=(",", ":")))
        clocks, names = clocks_in(store.fact(METER_CLOCKS)), dict(wanted)
        if names.keys() & clocks.keys():
            own = {point: steps for point, steps in clocks.items() if point not in names}
            store.set_fact(METER_CLOCKS, words_of({names.get(one, one): steps for one, steps in clocks.items()} | own))
    return found


def changed_instruments(store: SqliteStore, state: State) -> list[tuple[Channel, int]]:
    """Registers whose dated instruments are others than those of the figures, and since when."""
    kept: dict[str, Facts] = json.loads(store.fact(_KEPT) or "{}")
    found = []
    for channel, rules in state.rules.items():
        before, now = kept.get(_key(channel)), _facts(rules)
        if before is not None and before != now:
            found.append((channel, _since(before, now)))
    return found


def keep_instruments(store: SqliteStore, state: State) -> None:
    """Note the instruments of the plan, so that a later one can be compared; belongs into a transaction."""
    kept: dict[str, Facts] = json.loads(store.fact(_KEPT) or "{}")
    now = {_key(channel): _facts(rules) for channel, rules in state.rules.items()}
    if kept | now != kept:
        store.set_fact(_KEPT, json.dumps(kept | now, separators=(",", ":")))


def _key(channel: Channel) -> str:
    return " ".join(channel)


def _facts(rules: Sequence[Rule]) -> Facts:
    """What decides over energies, not what only decides over belief."""
    return [[r.from_ms, r.until_ms, r.numerator, r.denominator, r.capacity, r.opening, r.closing, r.gap] for r in rules]


def _since(before: Facts, now: Facts) -> int:
    """The first moment at which they differ. Closing readings belong to the end of their instrument, the rest to its begin."""
    moments: list[int] = []
    for one, other in ((before, now), (now, before)):
        starts = {facts[0]: facts for facts in other}
        for facts in one:
            match = starts.get(facts[0])
            start, end = facts[0], facts[1]
            assert start is not None, "an instrument has a begin"
            assert end is not None, "an instrument has an end, if in a far future"
            if match is None or match[2:6] != facts[2:6] or match[7] != facts[7]:
                moments.append(start)
            elif match[1] != end or match[6] != facts[6]:
                moments.append(min(end, match[1] or end))
    return min(moments)
