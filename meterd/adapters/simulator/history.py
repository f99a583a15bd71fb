"""Long histories at once: the readings of every register as arrays, the same numbers as stepping would give."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from meterd.adapters.simulator.faults import Fault, check_faults, happenings
from meterd.adapters.simulator.instruments import Bank, Block, Effect, Levels, fitted, indicate, make_bank
from meterd.adapters.simulator.noise import Floats, Ints
from meterd.adapters.simulator.payload import Field, is_senml, make_field, period_ms
from meterd.adapters.simulator.physics import Mill, Truth, build, truth
from meterd.core.errors import ConfigError
from meterd.core.model.periods import floor
from meterd.core.model.plan import Input, Role, Site, base_scale
from meterd.core.model.reading import EXPORT, IMPORT, POWER

BLOCK = 8_640  # cells at once: a day of 10 s; about 50 MB for a hundred points


@dataclass(frozen=True, slots=True)
class Series:
    """Readings of one register over a stretch of time, sorted: times (k,) and values (k,) as in `reading.Reading`.

    Values are int64 milli-units as shown for registers that count, float64 in the base unit for power.
    """

    point: str
    register: str
    at_ms: Ints
    values: npt.NDArray[np.int64] | npt.NDArray[np.float64]


def history(
    site: Site,
    seed: int,
    start_ms: int,
    end_ms: int,
    *,
    step_s: int = 60,
    faults: Sequence[Fault] = (),
    power: bool = False,
    world_offset_ms: int = 0,
    faults_from_ms: int | None = None,
    stand: list[Levels] | None = None,
) -> Iterator[Series]:
    """Readings of all registers that count (and of the power, if asked) from `start_ms` to `end_ms`, both inclusive.

    The true power holds for `step_s` seconds at a time, taken at the middle of each: longer steps give another, coarser
    site with the same habits. Blocks follow in the order of time, within a block the inputs in the order of the plan.
    Points without inputs in a plan without any get their import, and their export where power can flow back.
    Faults act as in `Simulator`, their starts count from `faults_from_ms`; late and doubled messages count as sent in time and
    once. Where the registers stand at the end is put into `stand`, for a `Simulator` that goes on from there.
    """
    check_faults(site, faults)
    step_ms = step_s * 1000
    begin_ms = floor(start_ms, step_ms)
    mill = build(site, seed)
    planted_ms = begin_ms if faults_from_ms is None else faults_from_ms
    bank = make_bank(mill, seed, faults, begin_ms, planted_ms=planted_ms)
    levels = Levels(bank.first.copy())
    if stand is not None:
        stand.append(levels)
    events = happenings(faults, planted_ms + world_offset_ms)
    inputs = [i for i in inputs_of(site) if i.register in bank.registers or (power and i.register == POWER)]
    first = begin_ms
    while first <= end_ms:
        count = min(BLOCK, (end_ms - first) // step_ms + 1)
        ends = first + step_ms * np.arange(count, dtype=np.int64)
        result = truth(mill, ends - step_ms // 2 + world_offset_ms, happenings=events)
        block = indicate(bank, levels, result, ends, step_s)
        for source in inputs:
            yield _series(bank, mill, block, source=source, step_ms=step_ms)
        first = int(ends[-1]) + step_ms


def true_history(
    site: Site, seed: int, start_ms: int, end_ms: int, *, step_s: int = 60, faults: Sequence[Fault] = ()
) -> Iterator[Truth]:
    """The truth behind the same history, block by block; its moments are the middles of the cells."""
    step_ms = step_s * 1000
    first = floor(start_ms, step_ms)
    mill, events = build(site, seed), happenings(faults, first)
    while first <= end_ms:
        count = min(BLOCK, (end_ms - first) // step_ms + 1)
        yield truth(mill, first + step_ms * np.arange(count, dtype=np.int64) - step_ms // 2, happenings=events)
        first += count * step_ms


def collect(blocks: Iterator[Series]) -> Mapping[tuple[str, str], Series]:
    """The blocks of each register joined: (point, register) -> one series."""
    parts: dict[tuple[str, str], list[Series]] = {}
    for series in blocks:
        parts.setdefault((series.point, series.register), []).append(series)
    return {
        key: Series(*key, np.concatenate([s.at_ms for s in some]), np.concatenate([s.values for s in some]))
        for key, some in parts.items()
    }


def inputs_of(site: Site) -> tuple[Input, ...]:
    """The inputs of a plan, or plain ones for a plan that has none."""
    present = {point.name for point in site.points if fitted(point)}
    if site.inputs:
        return tuple(source for source in site.inputs if source.point in present)
    plain: list[Input] = []
    for point in site.points:
        if point.name in present:
            plain.append(Input(point.name, IMPORT, "", ""))
            if point.role is not Role.SUB:
                plain.append(Input(point.name, EXPORT, "", ""))
            plain.append(Input(point.name, POWER, "", "", unit="W"))
    return tuple(plain)


def _series(bank: Bank, mill: Mill, block: Block, *, source: Input, step_ms: int) -> Series:
    row = mill.row[source.point]
    effects = [effect for effect in bank.effects if effect.row == row]
    sent = block.at_ms % period_ms([source]) < step_ms
    for effect in effects:
        if effect.kind == "mute":
            sent &= ~((block.at_ms >= effect.start_ms) & (block.at_ms < effect.end_ms))
    at_ms = block.at_ms[sent]
    factor = np.ones(len(at_ms))
    for effect in effects:
        if effect.kind == "spike":
            factor[_hit(effect, at_ms, period_ms([source]))] *= effect.value
    if source.register == POWER:
        values = _power(mill, source, at_ms, block.power[row, sent] / 1000.0 * factor)
    else:
        shown = _counted(
            bank, source, at_ms, levels=block.levels[bank.registers.index(source.register), row, sent], factor=factor
        )
        for effect in effects:
            if effect.kind == "zero":
                shown[_hit(effect, at_ms, period_ms([source]))] = 0
        return Series(source.point, source.register, _stamps(bank, source, effects, at_ms), shown)
    return Series(source.point, source.register, _stamps(bank, source, effects, at_ms), values)


def _hit(effect: Effect, at_ms: Ints, period: int) -> npt.NDArray[np.bool_]:
    return np.asarray((at_ms - period < effect.start_ms) & (effect.start_ms <= at_ms))


def _stretches(site: Site, point: str, at_ms: Ints) -> Iterator[tuple[int, slice]]:
    """Moments with one instrument fitted: (a moment of it, which)."""
    if not len(at_ms):
        return
    changes = [i.from_ms for i in site.instruments_of(point) if at_ms[0] < i.from_ms <= at_ms[-1]]
    cuts = [0, *np.searchsorted(at_ms, changes).tolist(), len(at_ms)]
    for low, high in pairwise(cuts):
        if high > low:
            yield int(at_ms[low]), slice(low, high)


def _counted(bank: Bank, source: Input, at_ms: Ints, *, levels: Ints, factor: Floats) -> Ints:
    shown = np.empty(len(at_ms), dtype=np.int64)
    for moment, part in _stretches(bank.site, source.point, at_ms):
        scale = make_field(bank.site, source, 0, moment).scaling
        counts = scale.counts(levels[part])
        odd = factor[part] != 1.0
        counts[odd] = np.rint(counts[odd] * factor[part][odd])
        shown[part] = scale.milli(counts)
    return shown


def _power(mill: Mill, source: Input, at_ms: Ints, watts: Floats) -> Floats:
    values = np.empty(len(at_ms))
    for moment, part in _stretches(mill.site, source.point, at_ms):
        field: Field = make_field(mill.site, source, 0, moment)
        values[part] = np.round(watts[part] / field.factor, field.decimals) * base_scale(source)
    return values


def _stamps(bank: Bank, source: Input, effects: Sequence[Effect], at_ms: Ints) -> Ints:
    """Times of the readings: by the instrument's clock where the message carries one."""
    if not (source.time_field or is_senml(source.field)):
        return at_ms
    row = bank.mill.row[source.point]
    stamped = at_ms + round(float(bank.clock_s[row]) * 1000)
    for effect in effects:
        if effect.kind == "clock":
            on = (at_ms >= effect.start_ms) & (at_ms < effect.end_ms)
            stamped = np.where(on, stamped + round(effect.value * 1000), stamped)
    return np.asarray(stamped)


def one_series(results: Mapping[tuple[str, str], Series], point: str, register: str = IMPORT) -> Series:
    """A series by name; ConfigError if the plan has no such input."""
    series = results.get((point, register))
    if series is None:
        raise ConfigError(f"no register {register} of point {point} in this history; add it to the inputs of the plan")
    return series
