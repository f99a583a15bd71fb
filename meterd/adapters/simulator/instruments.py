"""The simulated instruments: what each meter indicates and counts, with its own error, steps, rollover and faults.

Registers integrate the indicated power exactly: powers are whole milliwatts and hold for whole seconds, so a register is
a whole number of milliwatt-seconds (1 Wh = 3,600,000 mWs). What is shown is that number cut to the register's step.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from itertools import pairwise

import numpy as np

from meterd.adapters.simulator.faults import FAULTS, FOREVER_MS, Fault, Place
from meterd.adapters.simulator.noise import Floats, Ints, draw, keys
from meterd.adapters.simulator.physics import Mill, Truth, full_w
from meterd.core.model.plan import Input, Instrument, Point, PointState, Role, Site
from meterd.core.model.reading import EXPORT, IMPORT, UNITS

MWS_PER_WH = 3_600_000
DEFAULT_STEP_WH = Fraction(1, 1000)  # a register without a stated resolution shows milliwatt-hours
REACTIVE_IMPORT, REACTIVE_EXPORT = "3.8.0", "4.8.0"

# Error limits at the reference current. Meters: IEC 62053-21/-22 and the European classes A, B, C; current transformers:
# IEC 61869-2 at rated current. Own small table, so that the simulation does not lean on the daemon's.
METER_LIMIT = {"0.1S": 0.001, "0.2S": 0.002, "0.5S": 0.005, "0.5": 0.005, "1": 0.01, "2": 0.02}
METER_LIMIT |= {"A": 0.02, "B": 0.01, "C": 0.005}
CT_LIMIT = {"0.1": 0.001, "0.2": 0.002, "0.2S": 0.002, "0.5": 0.005, "0.5S": 0.005, "1": 0.01, "3": 0.03}


@dataclass(frozen=True, slots=True)
class Effect:
    """Something that happens to one instrument (row) from `start_ms` until `end_ms`.

    factor: indicated power times `value`. set: registers go to `value` mWs at the start. hold: registers stand still.
    mute, late, twice: messages are missing, `value` seconds late, or doubled. clock: device time ahead by `value` s.
    zero, spike: one message at the start with registers at 0, or everything times `value`.
    """

    kind: str
    row: int
    start_ms: int
    end_ms: int
    value: float = 0.0

    def covers(self, at_ms: int) -> bool:
        """Whether it is on at that moment."""
        return self.start_ms <= at_ms < self.end_ms

    def hits(self, at_ms: int, period_ms: int) -> bool:
        """Whether the message at that moment is the first since the start, when one comes every `period_ms`."""
        return at_ms - period_ms < self.start_ms <= at_ms


@dataclass(frozen=True, slots=True)
class Scaling:
    """From milliwatt-seconds to what a register shows: `count` steps, rolled over; a step is `step` shown units.

    `payload` is what a step is worth in the unit of the payload.
    """

    mws: Fraction  # per step
    step: Fraction
    payload: Fraction
    modulus: int | None

    def count(self, level: int) -> int:
        """Steps shown at a register level in mWs."""
        steps = level * self.mws.denominator // self.mws.numerator
        return steps if self.modulus is None else steps % self.modulus

    def counts(self, levels: Ints) -> Ints:
        """The same for an array."""
        steps: Ints = levels * self.mws.denominator // self.mws.numerator
        return steps if self.modulus is None else steps % self.modulus

    def milli(self, counts: Ints) -> Ints:
        """Milli-units as in `Reading.value`, rounded half to even like `reading.milli`."""
        whole, rest = np.divmod(counts * (self.step * 1000).numerator, (self.step * 1000).denominator)
        twice = 2 * rest - (self.step * 1000).denominator
        return np.asarray(whole + ((twice > 0) | ((twice == 0) & (whole % 2 == 1))), dtype=np.int64)

    def shown(self, count: int) -> int | float:
        """The number in the payload."""
        value, rest = divmod(count * self.payload.numerator, self.payload.denominator)
        return value if rest == 0 else count * self.payload.numerator / self.payload.denominator


@dataclass(frozen=True, slots=True)
class Bank:
    """All instruments of a site. Rows are the points of the plan; `registers` the kinds of level that are followed."""

    site: Site
    mill: Mill
    ratio: Floats  # (n,): indicated over true, with the instrument fitted at the beginning
    clock_s: Floats  # (n,): how far the instrument's clock is ahead
    registers: tuple[str, ...]
    effects: tuple[Effect, ...]
    first: Ints  # (r, n): levels at the beginning, mWs


@dataclass(slots=True)
class Levels:
    """Where the registers stand, carried from block to block; and what a held display shows, by effect."""

    now: Ints
    held: dict[Effect, Ints] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Block:
    """What the instruments indicate over m cells of time that end at `at_ms`: mW and mvar (n, m), levels mWs (r, n, m)."""

    at_ms: Ints
    power: Ints
    reactive: Ints
    levels: Ints


def fitted(point: Point) -> bool:
    """Whether an instrument is there to send anything."""
    return point.state not in (PointState.PLANNED, PointState.RETIRED)


def ratio_of(site: Site, seed: int, instrument: Instrument) -> float:
    """Indicated over true power: the meter's error times that of its current transformers, uniform within the limits.

    Instruments on one `ct_set` share the error of the current transformers.
    """
    meter = METER_LIMIT.get(instrument.meter_class or "", 0.01)
    transformer = CT_LIMIT.get(instrument.ct_class or "", 0.0)
    names = [f"meter {instrument.point} {instrument.from_ms}"]
    names.append(f"ct {instrument.ct_set or f'of {instrument.point}'}")
    errors = 2.0 * draw(keys(seed, names), 0) - 1.0
    return float((1.0 + meter * errors[0]) * (1.0 + transformer * errors[1]))


def unit_wh(instrument: Instrument, per_ct: bool, pulses: bool) -> Fraction:
    """Primary Wh behind one shown unit (a Wh on the secondary side, a pulse)."""
    ratio = instrument.ct_ratio if per_ct else None
    return (ratio or Fraction(1)) * ((instrument.pulse_wh or Fraction(1)) if pulses else Fraction(1))


def scaling(instrument: Instrument, source: Input) -> Scaling:
    """How a register of an instrument appears in an input of the plan."""
    pulses = source.unit == "imp"
    step = Fraction(1) if pulses else instrument.resolution_wh or DEFAULT_STEP_WH
    largest = instrument.register_max_wh
    return Scaling(
        mws=step * unit_wh(instrument, source.per_ct, pulses) * MWS_PER_WH,
        step=step,
        payload=step / (Fraction(str(UNITS[source.unit][1])) * Fraction(str(source.scale))),
        modulus=None if largest is None else int(largest / step),
    )


def instrument_at(site: Site, point: str, at_ms: int) -> Instrument:
    """The instrument fitted at that moment, else the last one before it, else the first; one without plate if none."""
    known = site.instruments_of(point)
    if not known:
        return Instrument(point, -FOREVER_MS)
    return next((i for i in reversed(known) if i.from_ms <= at_ms), known[0])


def make_bank(mill: Mill, seed: int, faults: Sequence[Fault], begin_ms: int, *, planted_ms: int | None = None) -> Bank:
    """The instruments of a simulated site as they are at `begin_ms`, and all that will happen to them.

    Faults start counting from `planted_ms`, else from the beginning; a rollover is always set up at the beginning.
    """
    site = mill.site
    first = [instrument_at(site, point.name, begin_ms) for point in site.points]
    wanted = {source.register for source in site.inputs}
    reactive = [register for register in (REACTIVE_IMPORT, REACTIVE_EXPORT) if register in wanted]
    registers = (IMPORT, EXPORT, *reactive)
    clocks = 2.0 * draw(keys(seed, [f"clock {point.name}" for point in site.points]), 0) - 1.0
    levels = np.array([[_first_level(mill, i, r, begin_ms) for i in first] for r in registers], dtype=np.int64)
    for planted in faults:
        if planted.name == "rollover-soon":
            row = mill.row[planted.target]
            source = _input(site, planted.target, IMPORT)
            plate = scaling(first[row], source)
            assert plate.modulus is not None, "check_faults lets only registers with a width through"
            levels[0, row] = int(plate.modulus * plate.mws) - round(planted.value * MWS_PER_WH)
    return Bank(
        site=site,
        mill=mill,
        ratio=np.array([ratio_of(site, seed, instrument) for instrument in first]),
        clock_s=np.round(clocks, 3),
        registers=registers,
        effects=(
            *_exchanges(site, seed, begin_ms),
            *_planted(mill, faults, begin_ms if planted_ms is None else planted_ms),
        ),
        first=levels,
    )


def _input(site: Site, point: str, register: str) -> Input:
    plain = Input(point, register, "", "")
    return next((s for s in site.inputs if s.point == point and s.register == register), plain)


def _first_level(mill: Mill, instrument: Instrument, register: str, begin_ms: int) -> int:
    """A lifetime of use: hours since the instrument was fitted at a tenth of its rating, more or less."""
    row = mill.row[instrument.point]
    point = mill.site.points[row]
    hours = max(begin_ms - instrument.from_ms, 0) / 3.6e6 if instrument.from_ms > -FOREVER_MS else 10_000.0
    use = (0.05 + 0.1 * draw(mill.key[row : row + 1], 60)[0]) * full_w(point, mill.site)
    backwards = register in (EXPORT, REACTIVE_EXPORT)
    if backwards and point.role not in (Role.FEED, Role.STORAGE):
        use *= 0.001
    elif backwards or point.role is Role.BACKUP:
        use *= 0.05
    return _opening(mill.site, instrument, register) + round(float(hours * use)) * MWS_PER_WH


def _opening(site: Site, instrument: Instrument, register: str) -> int:
    source = _input(site, instrument.point, register)
    opened = Fraction(dict(instrument.opening).get(register, 0), 1000)
    return round(opened * unit_wh(instrument, source.per_ct, source.unit == "imp") * MWS_PER_WH)


def _exchanges(site: Site, seed: int, begin_ms: int) -> list[Effect]:
    """Dates of the plan that lie ahead: an instrument that ends, a gap, another one with its opening reading."""
    effects = []
    for row, point in enumerate(site.points):
        known = site.instruments_of(point.name)
        now = instrument_at(site, point.name, begin_ms)
        if now.from_ms > begin_ms:
            effects.append(Effect("mute", row, -FOREVER_MS, now.from_ms))
        for old, new in pairwise(known):
            if new.from_ms <= begin_ms:
                continue
            ended = new.from_ms if old.until_ms is None else old.until_ms
            change = ratio_of(site, seed, new) / ratio_of(site, seed, old)
            effects.append(Effect("mute", row, ended, new.from_ms))
            effects.append(Effect("factor", row, ended, new.from_ms, 0.0))
            effects.append(Effect("set", row, new.from_ms, FOREVER_MS, float(_opening(site, new, IMPORT))))
            effects.append(Effect("factor", row, new.from_ms, FOREVER_MS, change))
    return effects


_EFFECT = {"stuck": "hold", "reset": "set", "silent": "mute", "late": "late", "duplicate": "twice", "clock": "clock"}
_EFFECT |= {"zero": "zero", "spike": "spike"}


def _planted(mill: Mill, faults: Sequence[Fault], planted_ms: int) -> list[Effect]:
    effects = []
    for planted in faults:
        if FAULTS[planted.name].place is not Place.METER or planted.name == "rollover-soon":
            continue
        kind = _EFFECT.get(planted.name, "factor")
        value = planted.value
        if planted.name == "drift":
            value = 1.0 + value
        elif planted.name == "reset":
            value = value * MWS_PER_WH
        effects.append(Effect(kind, mill.row[planted.target], *planted.span(planted_ms), value))
    return effects


def indicate(bank: Bank, levels: Levels, truth: Truth, at_ms: Ints, step_s: int) -> Block:
    """What the instruments indicate over cells of `step_s` that end at `at_ms` (m,), and where the registers then stand.

    `levels` is carried on. The truth of a cell holds for the whole of it.
    """
    power = np.rint(truth.power * bank.ratio[:, None]).astype(np.int64)
    reactive = np.rint(truth.reactive * bank.ratio[:, None]).astype(np.int64)
    for effect in bank.effects:
        if effect.kind == "factor" and effect.start_ms < at_ms[-1] and effect.end_ms > at_ms[0] - step_s * 1000:
            # a cell counts as faulty when the fault is on at its end
            factor = np.where((at_ms > effect.start_ms) & (at_ms <= effect.end_ms), effect.value, 1.0)
            power[effect.row] = np.rint(power[effect.row] * factor)
            reactive[effect.row] = np.rint(reactive[effect.row] * factor)
    signed = {IMPORT: power, EXPORT: -power, REACTIVE_IMPORT: reactive, REACTIVE_EXPORT: -reactive}
    counted = np.stack([np.maximum(signed[register], 0) for register in bank.registers]) * step_s
    stand = levels.now[:, :, None] + np.cumsum(counted, axis=2)
    _set(bank, stand, at_ms, step_s * 1000)
    levels.now = stand[:, :, -1].copy()
    return Block(at_ms, power, reactive, _hold(bank, levels, stand, at_ms))


def _set(bank: Bank, stand: Ints, at_ms: Ints, step_ms: int) -> None:
    for effect in bank.effects:
        if effect.kind == "set" and at_ms[0] - step_ms < effect.start_ms <= at_ms[-1]:
            cell = int(np.searchsorted(at_ms, effect.start_ms))
            stand[:, effect.row, cell:] -= stand[:, effect.row, cell, None]
            stand[0, effect.row, cell:] += round(effect.value)


def _hold(bank: Bank, levels: Levels, stand: Ints, at_ms: Ints) -> Ints:
    shown = stand
    for effect in bank.effects:
        if effect.kind != "hold":
            continue
        cells = (at_ms >= effect.start_ms) & (at_ms < effect.end_ms)
        if cells.any():
            held = levels.held.setdefault(effect, stand[:, effect.row, int(np.argmax(cells))].copy())
            shown = shown.copy() if shown is stand else shown
            shown[:, effect.row, cells] = held[:, None]
    return shown


def limits(site: Site) -> Mapping[str, float]:
    """Largest possible relative error of each point's instruments: meter and current transformers together."""
    results: dict[str, float] = {}
    for i in site.instruments:
        worst = (1 + METER_LIMIT.get(i.meter_class or "", 0.01)) * (1 + CT_LIMIT.get(i.ct_class or "", 0.0)) - 1
        results[i.point] = max(worst, results.get(i.point, 0.0))
    return results
