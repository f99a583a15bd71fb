"""Modbus TCP and RTU over TCP: plain register maps. An address is `[unit/]table/register/type[/order]`.

    3/holding/72/float32          unit 3, holding registers 72 and 73, IEEE 754, high word first
    input/0/uint32/cdab           unit of the source, low word first

Registers are numbered as on the wire, from 0; with option `first_register = 1` as in a data sheet that begins with 1.
Neighbouring registers are read in one request and a value is never split, so its words are of one moment.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Literal

from meterd.adapters.sources import inputs_of, settings_from, wall_ms
from meterd.adapters.sources.modbus.registers import ORDERS, AddressFault, Block, Spot, blocks, parse_spot, words_of
from meterd.adapters.sources.modbus.registers import decode as decode_words
from meterd.adapters.sources.modbus.transport import (
    BAD_ADDRESS,
    BEHIND_GATEWAY,
    MOST_REGISTERS,
    Declined,
    ModbusOptions,
    ModbusWire,
    modbus_faults,
)
from meterd.adapters.sources.polling import Pace, PolledSource, common_faults, refuse
from meterd.adapters.sources.tcp import NoAnswer, OverWire
from meterd.adapters.sources.values import AnswerValues, Wanted, reading, wanted
from meterd.core.errors import ConfigError
from meterd.core.model.plan import Input, Site
from meterd.core.model.plan import Source as SourceRow
from meterd.core.model.reading import Reading, Refusal


@dataclass(frozen=True, slots=True)
class ModbusSettings(ModbusOptions):
    """Options of a Modbus source: one line, with one or several units on it."""

    protocol: Literal["modbus"] = "modbus"
    order: str = "abcd"  # of addresses that name none
    first_register: int = 0  # how the data sheet numbers the first register: 0 or 1
    gap: int = 0  # so many unused registers between two used ones are read along; some devices refuse them


def settings_for(row: SourceRow, _site: Site | None = None) -> ModbusSettings:
    """The options of a source, checked. ConfigError names every fault."""
    settings = settings_from(ModbusSettings, row, {})
    faults = common_faults(settings) + modbus_faults(settings)
    if settings.order not in ORDERS:
        faults.append(f"option order is one of {', '.join(ORDERS)}")
    if settings.first_register not in (0, 1):
        faults.append("option first_register is 0 or 1")
    if not 0 <= settings.gap <= MOST_REGISTERS:
        faults.append(f"option gap is 0 to {MOST_REGISTERS}")
    refuse(row.name, faults)
    return settings


def address_fault(address: str) -> tuple[str, str] | None:
    """What is wrong with an address, and what would be right; None if nothing."""
    try:
        parse_spot(address)
    except AddressFault as fault:
        return fault.what, fault.right
    return None


def decode(block: Block, registers: list[int], inputs: Mapping[Spot, tuple[Wanted, ...]], at_ms: int) -> AnswerValues:
    """Readings of one answer that was true at `at_ms`. Never raises for any registers."""
    readings: list[Reading] = []
    refusals: list[Refusal] = []
    missing = 0
    for spot in block.spots:
        words = words_of(block, spot, registers)
        for spec in inputs.get(spot, ()):
            try:
                value = decode_words(words, spot.kind, spot.order)
                if value is None:
                    missing += 1
                else:
                    readings.append(reading(spec, value, "", at_ms))
            except ValueError as exc:
                refusals.append(Refusal(spec.point, spec.register, str(exc), " ".join(f"{word:04x}" for word in words)))
    return AnswerValues(tuple(readings), tuple(refusals), missing)


class ModbusLine(OverWire[ModbusWire]):
    """One connection; its stations are the units."""

    def __init__(
        self, settings: ModbusSettings, inputs: tuple[Input, ...], site: Site, clock: Callable[[], int]
    ) -> None:
        super().__init__(ModbusWire(settings))
        self._clock = clock
        self._inputs: dict[Spot, tuple[Wanted, ...]] = {}
        for meter_input in inputs:
            spot = spot_of(meter_input, settings)
            self._inputs[spot] = (*self._inputs.get(spot, ()), wanted(meter_input, meter_input.address, site))
        self._blocks: dict[str, list[Block]] = {}
        for block in blocks(self._inputs, gap=settings.gap, most=MOST_REGISTERS):
            self._blocks.setdefault(str(block.unit), []).append(block)

    def stations(self) -> tuple[str, ...]:
        """The units, as text."""
        return tuple(self._blocks)

    def read(self, station: str) -> AnswerValues:
        """All blocks of one unit."""
        taken = AnswerValues()
        for block in tuple(self._blocks[station]):
            try:
                registers = self._wire.read(block.unit, block.table, block.first, block.count)
            except Declined as exc:
                if exc.code in BEHIND_GATEWAY:
                    raise NoAnswer(f"unit {station}: {exc}") from exc
                taken += self._declined(station, block, exc)
            else:
                taken += decode(block, registers, self._inputs, self._clock())
        return taken

    def _declined(self, station: str, block: Block, exc: Declined) -> AnswerValues:
        """One wrong address must not cost its neighbours: such a block is read value by value from then on."""
        if len(block.spots) > 1 and exc.code in BAD_ADDRESS:
            mine = self._blocks[station]
            place = mine.index(block)
            mine[place : place + 1] = [
                block for spot in block.spots for block in blocks((spot,), gap=0, most=MOST_REGISTERS)
            ]
            return AnswerValues(declined=1)
        where = f"registers {block.first} to {block.first + block.count - 1}"
        inputs = [spec for spot in block.spots for spec in self._inputs[spot]]
        reason = f"{where} of unit {station} refused with {exc}"
        return AnswerValues(
            refusals=tuple(Refusal(spec.point, spec.register, reason, "") for spec in inputs), declined=1
        )


def spot_of(meter_input: Input, settings: ModbusSettings) -> Spot:
    """Where an input lies; ConfigError if its address cannot be read."""
    try:
        return parse_spot(
            meter_input.address, unit=settings.unit, order=settings.order, first_register=settings.first_register
        )
    except AddressFault as exc:
        raise ConfigError(f"{meter_input.where or meter_input.point}: {exc}") from exc


class ModbusSource(PolledSource):
    """Reads the registers of its inputs. `clock` gives milliseconds since 1970 UTC."""

    def __init__(self, row: SourceRow, site: Site, *, clock: Callable[[], int] = wall_ms) -> None:
        self.settings = settings_for(row)
        line = ModbusLine(self.settings, inputs_of(site.inputs, row.name), site, clock)
        super().__init__(row.name, line, Pace(self.settings.period_s, self.settings.retry_max_s), clock)
