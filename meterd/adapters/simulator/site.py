"""The simulated site as a stream of messages: exactly the payloads that the inputs of its plan describe."""

import heapq
from collections.abc import Iterator, Sequence

import numpy as np

from meterd.adapters.simulator.faults import Fault, check_faults, happenings
from meterd.adapters.simulator.instruments import Bank, Block, Effect, Levels, indicate, make_bank
from meterd.adapters.simulator.noise import Floats
from meterd.adapters.simulator.payload import Field, Number, Topic, payload, topics
from meterd.adapters.simulator.physics import Truth, build, frequency, phases, truth, voltages
from meterd.adapters.simulator.weather import irradiance
from meterd.core.model.periods import floor
from meterd.core.model.plan import Site, base_scale
from meterd.core.model.reading import CT_PRIMARY, CT_SECONDARY, IRRADIANCE, POWER, Reading, milli

STEP_S = 10
BLOCK = 360  # cells worked out at once when much time has passed: an hour of 10 s
Sent = tuple[str, bytes]


class Simulator:
    """A site that lives from `start_ms` on: `step` it to a later moment and get what its meters have sent until then.

    The same seed, plan and faults give the same bytes, however the time is cut into steps. `world_offset_ms` shifts sun,
    weather and habits against the clock: the simulated world may have noon in June while the messages bear today's time.
    The starts of the faults count from `faults_from_ms`, or from `start_ms` where none is given. The registers go on from
    `stand` if it is given.
    Raises ConfigError for faults that do not fit the plan.
    """

    def __init__(
        self,
        site: Site,
        seed: int,
        faults: Sequence[Fault] = (),
        *,
        start_ms: int,
        step_s: int = STEP_S,
        world_offset_ms: int = 0,
        faults_from_ms: int | None = None,
        stand: Levels | None = None,
    ) -> None:
        check_faults(site, faults)
        self.site = site
        self.step_ms = step_s * 1000
        self.start_ms = floor(start_ms, self.step_ms)
        self.world_offset_ms = world_offset_ms
        self.mill = build(site, seed)
        planted_ms = self.start_ms if faults_from_ms is None else faults_from_ms
        self.bank: Bank = make_bank(self.mill, seed, faults, self.start_ms, planted_ms=planted_ms)
        self.topics: tuple[Topic, ...] = topics(site, self.mill.row, self.start_ms)
        self.truth: Truth | None = None
        self.sent = 0
        self._happenings = happenings(faults, planted_ms + world_offset_ms)
        # what a held display shows goes on too, or it would jump and stand still anew
        self._levels = Levels(self.bank.first.copy()) if stand is None else Levels(stand.now.copy(), dict(stand.held))
        self._next_ms = self.start_ms
        self._given: dict[str, float] = {}
        self._waiting: list[tuple[int, int, Sent]] = []
        self._held_back = 0
        self._changes = sorted(i.from_ms for i in site.instruments if i.from_ms > self.start_ms)

    @property
    def next_ms(self) -> int:
        """The next moment at which meters may send something."""
        return self._next_ms

    def give(self, consumer: str, power_w: float | None) -> None:
        """From the next step on a flexible consumer draws this power; None = it goes back to its own habit."""
        if power_w is None:
            self._given.pop(consumer, None)
        else:
            self._given[consumer] = power_w

    def level_wh(self, point: str, register: str) -> float:
        """Where a register stands now, in primary Wh (varh), as the instrument counted it."""
        return float(self._levels.now[self.bank.registers.index(register), self.mill.row[point]]) / 3.6e6

    def step(self, until_ms: int) -> list[Sent]:
        """All messages sent up to and including `until_ms`, in the order of time: (topic, payload)."""
        results: list[Sent] = []
        for values in self._block_values(until_ms):
            for cell, at_ms in enumerate(values.block.at_ms.tolist()):
                results += self._due(at_ms)
                self._refit(at_ms)
                values.cell = cell
                for topic in self.topics:
                    if at_ms % topic.period_ms < self.step_ms:
                        results += self._send(topic, values, at_ms)
        results += self._due(until_ms)
        self.sent += len(results)
        return results

    def readings(self, until_ms: int) -> list[Reading]:
        """The same as `step`, but as readings that arrived at once: to fill a store before the messages begin.

        Late and doubled messages count as sent in time and once.
        """
        readings: list[Reading] = []
        for values in self._block_values(until_ms):
            for cell, at_ms in enumerate(values.block.at_ms.tolist()):
                self._refit(at_ms)
                values.cell = cell
                for topic in self.topics:
                    if at_ms % topic.period_ms < self.step_ms:
                        readings += self._read(topic, values, at_ms)
        return readings

    def _block_values(self, until_ms: int) -> Iterator["BlockValues"]:
        while self._next_ms <= until_ms:
            count = min(BLOCK, (until_ms - self._next_ms) // self.step_ms + 1)
            ends = self._next_ms + self.step_ms * np.arange(count, dtype=np.int64)
            middle = ends - self.step_ms // 2 + self.world_offset_ms
            self.truth = truth(self.mill, middle, happenings=self._happenings, given=self._given)
            block = indicate(self.bank, self._levels, self.truth, ends, self.step_ms // 1000)
            self._next_ms = int(ends[-1]) + self.step_ms
            yield BlockValues(self.bank, block, self.truth)

    def _refit(self, at_ms: int) -> None:
        """Topics follow the plan when another instrument is fitted."""
        while self._changes and self._changes[0] <= at_ms:
            self._changes.pop(0)
            self.topics = topics(self.site, self.mill.row, at_ms)

    def _send(self, topic: Topic, values: "BlockValues", at_ms: int) -> list[Sent]:
        message = payload(topic, lambda field: values.value(field, topic.period_ms), self.device_ms(topic, at_ms))
        if message is None:
            return []
        sent: list[Sent] = [(topic.address, message)]
        for effect in self.effects_on(topic.row, at_ms):
            if effect.kind == "twice":
                sent = sent * 2
            elif effect.kind == "late":
                for item in sent:
                    self._held_back += 1  # keeps messages of one moment in their order
                    heapq.heappush(self._waiting, (at_ms + round(effect.value * 1000), self._held_back, item))
                return []
        return sent

    def _due(self, until_ms: int) -> list[Sent]:
        results = []
        while self._waiting and self._waiting[0][0] <= until_ms:
            results.append(heapq.heappop(self._waiting)[2])
        return results

    def _read(self, topic: Topic, values: "BlockValues", at_ms: int) -> list[Reading]:
        stamped = self.device_ms(topic, at_ms) if topic.stamped else at_ms
        readings = []
        for field in topic.fields:
            shown = values.value(field, topic.period_ms)
            if shown is not None:
                scale = base_scale(field.source)
                value = milli(float(shown), scale) if field.cumulative else float(shown) * scale
                readings.append(
                    Reading(field.source.point, field.source.register, stamped, value, at_ms, topic.stamped)
                )
        return readings

    def device_ms(self, topic: Topic, at_ms: int) -> int:
        """What the clock of the topic's instrument says."""
        ahead = float(self.bank.clock_s[topic.row])
        ahead += sum(e.value for e in self.effects_on(topic.row, at_ms) if e.kind == "clock")
        return at_ms + round(ahead * 1000)

    def effects_on(self, row: int, at_ms: int) -> list[Effect]:
        """What happens to an instrument at a moment."""
        return [e for e in self.bank.effects if e.row == row and e.covers(at_ms)]


class BlockValues:
    """The values of one block of cells, worked out when they are asked for. `cell` is the one that is shown."""

    def __init__(self, bank: Bank, block: Block, result: Truth) -> None:
        self.block = block
        self._bank = bank
        self._truth = result
        self._known: dict[str, Floats] = {}
        self._volts: Floats | None = None
        self._parts: tuple[Floats, Floats, Floats] | None = None
        self.cell = 0

    def value(self, field: Field, period_ms: int) -> Number | None:
        """The number that the instrument shows for a field in this cell; None while it is silent."""
        at_ms = int(self.block.at_ms[self.cell])
        factor = 1.0
        for effect in self._bank.effects:
            if effect.row != field.row:
                continue
            if effect.kind == "mute" and effect.covers(at_ms):
                return None
            if effect.kind == "zero" and field.cumulative and effect.hits(at_ms, period_ms):
                return 0
            if effect.kind == "spike" and effect.hits(at_ms, period_ms):
                factor *= effect.value
        if field.cumulative:
            level = self.block.levels[self._bank.registers.index(field.source.register), field.row, self.cell]
            return field.scaling.shown(round(field.scaling.count(int(level)) * factor))
        return field.shown(float(self.present(field.source.register)[field.row, self.cell]) * factor)

    def present(self, register: str) -> Floats:
        """A present value of all points in its base unit, shape (n, m)."""
        if register not in self._known:
            self._known[register] = self._work_out(register)
        return self._known[register]

    def _work_out(self, register: str) -> Floats:
        power, reactive = self.block.power / 1000.0, self.block.reactive / 1000.0
        if register == POWER:
            return power
        if register == "131.7.0":
            return reactive
        if register == "13.7.0":
            apparent = np.hypot(power, reactive)
            # without load there is no ratio; instruments show 1 then
            return np.where(apparent > 0.0, np.abs(power) / np.where(apparent > 0.0, apparent, 1.0), 1.0)
        if register == "14.7.0":
            return np.broadcast_to(frequency(self._bank.mill, self._truth.at_ms), power.shape)
        if register in (CT_PRIMARY, CT_SECONDARY):
            return self._set_ratio(register)
        if register == IRRADIANCE:
            return np.broadcast_to(irradiance(self._bank.mill.sky, self._truth.at_ms), power.shape)  # of the open roof
        phase = {"3": 0, "5": 1, "7": 2}[register[0]]
        if register.startswith(("36.", "56.", "76.")):
            return self._phases()[phase]
        volts = self._voltages()[:, phase, :]
        if register.startswith(("32.", "52.", "72.")):
            return volts
        return np.asarray(np.hypot(self._phases()[phase], reactive / 3.0) / volts)

    def _set_ratio(self, register: str) -> Floats:
        """What each meter is set to: the current of its transformers by the plan, 1 A where it is connected directly."""
        result = np.ones(self.block.power.shape)
        at_ms = int(self.block.at_ms[0])
        for point, row in self._bank.mill.row.items():
            for instrument in self._bank.site.instruments_of(point):
                if instrument.from_ms <= at_ms and (instrument.until_ms is None or at_ms < instrument.until_ms):
                    ampere = instrument.ct_primary_a if register == CT_PRIMARY else instrument.ct_secondary_a
                    result[row] = 1.0 if ampere is None else ampere
        return result

    def _voltages(self) -> Floats:
        if self._volts is None:
            self._volts = voltages(self._bank.mill, self._truth)
        return self._volts

    def _phases(self) -> tuple[Floats, Floats, Floats]:
        if self._parts is not None:
            return self._parts
        true = np.where(self._truth.power == 0, 1, self._truth.power)
        seen = np.where(self._truth.power == 0, 0.0, self.block.power / true)
        item, two, three = phases(self._bank.mill, self._truth)
        self._parts = (item * seen / 1000.0, two * seen / 1000.0, three * seen / 1000.0)
        return self._parts
