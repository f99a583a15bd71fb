"""What a changed plan means for figures that are closed: an exchange entered later, a corrected ratio, a point renamed."""

import json
import logging
from collections.abc import Sequence

from meterd.adapters.runtime.logging import about
from meterd.adapters.store.renames import adopt
from meterd.adapters.store.write_store import WriteStore
from meterd.core.engine import State
from meterd.core.model.facts import Facts, FactStore
from meterd.core.model.plan import Site
from meterd.core.model.results import Channel
from meterd.core.registers.clock_offsets import METER_CLOCKS, clocks_in, words_of
from meterd.core.registers.tracker import Rule

log = logging.getLogger("meterd")

_INSTRUMENTS = "instruments"  # the instruments that the closed figures were made with
Instruments = list[list[int | None]]


def take_names(store: WriteStore, site: Site) -> list[Channel]:
    """Let the history of every point that has a new name go on under it.

    Returns the registers of which both names had a history, so that their figures are recalculated. StoreError as
    usual.
    """
    known = {point for point, _ in store.channels()}
    wanted = [(old, point.name) for point in site.points for old in point.aliases if old in known]
    if not wanted:
        return []
    stored: dict[str, Instruments] = json.loads(store.fact(_INSTRUMENTS) or "{}")
    results: list[Channel] = []
    with store.transaction():
        for old, new in wanted:
            results += [(new, register) for register in adopt(store, old, new)]
            log.warning(
                "point %s is called %s now; its history continues under the new name",
                old,
                new,
                extra=about("renamed", new),
            )
            for key in [key for key in stored if key.startswith(f"{old} ")]:
                stored.setdefault(new + key.removeprefix(old), stored.pop(key))
        store.set_fact(_INSTRUMENTS, json.dumps(stored, separators=(",", ":")))
        clocks, names = clocks_in(store.fact(METER_CLOCKS)), dict(wanted)
        if names.keys() & clocks.keys():
            own = {point: steps for point, steps in clocks.items() if point not in names}
            store.set_fact(
                METER_CLOCKS, words_of({names.get(item, item): steps for item, steps in clocks.items()} | own)
            )
    return results


def changed_instruments(store: Facts, state: State) -> list[tuple[Channel, int]]:
    """Registers whose dated instruments are others than those of the figures, and since when."""
    stored: dict[str, Instruments] = json.loads(store.fact(_INSTRUMENTS) or "{}")
    results = []
    for channel, rules in state.rules.items():
        before, now = stored.get(_key(channel)), _instruments(rules)
        if before is not None and before != now:
            results.append((channel, _since(before, now)))
    return results


def keep_instruments(store: FactStore, state: State) -> None:
    """Note the instruments of the plan, so that a later one can be compared; belongs into a transaction."""
    stored: dict[str, Instruments] = json.loads(store.fact(_INSTRUMENTS) or "{}")
    now = {_key(channel): _instruments(rules) for channel, rules in state.rules.items()}
    if stored | now != stored:
        store.set_fact(_INSTRUMENTS, json.dumps(stored | now, separators=(",", ":")))


def _key(channel: Channel) -> str:
    return " ".join(channel)


def _instruments(rules: Sequence[Rule]) -> Instruments:
    """What decides over energies, not what only decides over belief."""
    return [[r.from_ms, r.until_ms, r.numerator, r.denominator, r.capacity, r.opening, r.closing, r.gap] for r in rules]


def _since(before: Instruments, now: Instruments) -> int:
    """The first moment at which they differ. Closing readings belong to the end of their instrument, the rest to its begin."""
    moments: list[int] = []
    for item, other in ((before, now), (now, before)):
        starts = {instrument[0]: instrument for instrument in other}
        for instrument in item:
            match = starts.get(instrument[0])
            start, end = instrument[0], instrument[1]
            assert start is not None, "an instrument has a begin"
            assert end is not None, "an instrument has an end, if in a far future"
            if match is None or match[2:6] != instrument[2:6] or match[7] != instrument[7]:
                moments.append(start)
            elif match[1] != end or match[6] != instrument[6]:
                moments.append(min(end, match[1] or end))
    return min(moments)
