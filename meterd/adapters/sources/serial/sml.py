"""SML telegrams (Smart Message Language 1.04, transport version 1) that a meter sends on its own, through a reading head.

An address is the OBIS code: `1.8.0`, or in full `1-0:1.8.0*255`. The telegram names unit and scale. One source is one meter.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Literal

from meterd.adapters.sources import inputs_of, obis, sample, settings_from, wall_ms
from meterd.adapters.sources.listening import PushLine
from meterd.adapters.sources.modbus.registers import AddressFault
from meterd.adapters.sources.polling import Pace, PolledSource, common_faults, refuse
from meterd.adapters.sources.serial_port import LineOptions
from meterd.adapters.sources.tcp import Wire
from meterd.adapters.sources.values import AnswerValues, Item, Wanted, take, wanted
from meterd.core.errors import ConfigError
from meterd.core.model.plan import Input, Site
from meterd.core.model.plan import Source as SourceRow
from meterd.core.model.reading import Refusal

ESCAPE = b"\x1b" * 4
START = ESCAPE + b"\x01" * 4
END = 0x1A
GET_LIST_RESPONSE = 0x0701
DEEPEST = 12  # lists inside lists; a telegram has 5
MOST_VALUES = 5000
# units of DLMS/COSEM (IEC 62056-6-2) that a register takes
UNIT_OF = {27: "W", 29: "var", 30: "Wh", 32: "varh", 33: "A", 35: "V", 44: "Hz"}
LARGEST_SCALE = 20


@dataclass(frozen=True, slots=True)
class SmlSettings(LineOptions):
    """Options of an SML source: one reading head, one meter."""

    protocol: Literal["sml"] = "sml"
    period_s: float = 10.0  # of all that the meter sends, one telegram so often
    timeout_s: float = 10.0  # a meter sends every 1 to 4 seconds


def settings_for(row: SourceRow, _site: Site | None = None) -> SmlSettings:
    """The options of a source, checked. ConfigError names every fault."""
    settings = settings_from(SmlSettings, row, {})
    refuse(row.name, common_faults(settings))
    return settings


address_fault = obis.address_fault


class BadTelegram(ValueError):
    """What arrived is no sound telegram."""


def _reflected_table(polynomial: int) -> tuple[int, ...]:
    table = []
    for byte in range(256):
        crc = byte
        for _ in range(8):
            crc = crc >> 1 ^ polynomial if crc & 1 else crc >> 1
        table.append(crc)
    return tuple(table)


_TABLE = _reflected_table(0x8408)


def crc_x25(data: bytes, start: int = 0xFFFF, final: int = 0xFFFF) -> int:
    """CRC-16 of ISO/IEC 3309 (X.25); with start and final 0 that of Kermit, which some meters use.

    >>> hex(crc_x25(b"123456789"))
    '0x906e'
    """
    crc = start
    for byte in data:
        crc = crc >> 8 ^ _TABLE[(crc ^ byte) & 0xFF]
    return crc ^ final


def find(data: bytes) -> tuple[int, bytes | None]:
    """(bytes to drop, telegram from its start to its check sum, or None). A start inside a telegram begins a new one."""
    start = data.find(START)
    if start < 0:
        return max(0, len(data) - len(START) + 1), None
    at = start + len(START)
    while (at := data.find(ESCAPE, at)) >= 0:
        following = data[at + 4 : at + 8]
        if len(following) < 4:
            return start, None
        if following[0] == END:
            return at + 8, data[start : at + 8]
        if following == b"\x01" * 4:
            start = at
            at += 8
        elif following == ESCAPE:  # four such bytes of the message itself, doubled on the way
            at += 8
        else:
            at += 1
    return start, None


def check(telegram: bytes) -> None:
    """BadTelegram unless the check sum is right."""
    if len(telegram) < 20 or len(telegram) % 4:
        raise BadTelegram("telegram cut short")
    reported = int.from_bytes(telegram[-2:], "little")
    if reported not in (crc_x25(telegram[:-2]), crc_x25(telegram[:-2], 0, 0)):
        raise BadTelegram("wrong check sum")
    if telegram[-3] > 3:
        raise BadTelegram("more fill bytes than can be")


Value = bytes | int | bool | list["Value"] | None


class _Reader:
    """Type-length-value fields of a message, one after the other."""

    def __init__(self, data: bytes) -> None:
        self.data = data
        self.at = 0
        self.count = 0

    def byte(self) -> int:
        """The next byte; BadTelegram behind the end."""
        if self.at >= len(self.data):
            raise BadTelegram("message cut short")
        self.at += 1
        return self.data[self.at - 1]

    def value(self, depth: int = 0) -> Value:
        """The next field with all that is in it."""
        self.count += 1
        if depth > DEEPEST or self.count > MOST_VALUES:
            raise BadTelegram("nested too deeply or too long")
        head = self.byte()
        kind, length, heads = head >> 4 & 7, head & 0x0F, 1
        while head & 0x80:
            head = self.byte()
            length, heads = length << 4 | head & 0x0F, heads + 1
            if heads > 4:
                raise BadTelegram("length beyond any telegram")
        if kind == 7:
            return [self.value(depth + 1) for _ in range(length)]
        if head == 0 and heads == 1:
            return None  # end of a message
        return self._plain(kind, length - heads)

    def _plain(self, kind: int, size: int) -> Value:
        if size < 0 or self.at + size > len(self.data):
            raise BadTelegram("message cut short")
        data = self.data[self.at : self.at + size]
        self.at += size
        if kind == 0:
            return data or None
        if kind in (5, 6) and 1 <= size <= 8:
            return int.from_bytes(data, "big", signed=kind == 5)
        if kind == 4 and size == 1:
            return bool(data[0])
        raise BadTelegram(f"field type {kind} of {size} bytes is not known")


def items_of(telegram: bytes) -> dict[str, Item]:
    """Each value of a telegram under its short OBIS code. BadTelegram if it is damaged."""
    check(telegram)
    body = telegram[len(START) : len(telegram) - 8 - telegram[-3]].replace(ESCAPE * 2, ESCAPE)
    reader = _Reader(body)
    items: dict[str, Item] = {}
    while reader.at < len(body):
        for code, item in _entries(reader.value()):
            items.setdefault(code, item)
    return items


def _entries(message: Value) -> Iterator[tuple[str, Item]]:
    """The entries of a list response: name, status, time, unit, scaler, value, signature."""
    match message:
        case [_, _, _, [int(tag), [_, _, _, _, list(entries), *_]], *_] if tag == GET_LIST_RESPONSE:
            for entry in entries:
                match entry:
                    case [bytes(name), _, _, unit, scaler, value, *_] if len(name) == 6:
                        yield obis.of_bytes(name), cosem_item(unit, scaler, value)
                    case _:
                        continue


def cosem_item(unit: object, scaler: object, value: object) -> Item:
    """A value with the unit and the power of ten that DLMS/COSEM gives it, each None where the meter sends none."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return Item(None)
    power = scaler if isinstance(scaler, int) else 0
    if abs(power) > LARGEST_SCALE:
        return Item(None)
    scaled: int | float = value * 10**power if power >= 0 else value / 10**-power
    return Item(scaled, UNIT_OF.get(unit, "") if isinstance(unit, int) else "", f"{value} x 10^{power}")


def decode(telegram: bytes, inputs: tuple[Wanted, ...], at_ms: int) -> AnswerValues:
    """Readings of one telegram, true at `at_ms`. Never raises for any bytes."""
    try:
        items = items_of(telegram)
    except BadTelegram as exc:
        return AnswerValues(refusals=tuple(Refusal(o.point, o.register, str(exc), sample(telegram)) for o in inputs))
    return take(inputs, items, at_ms)


def wanted_by_code(inputs: tuple[Input, ...], site: Site) -> tuple[Wanted, ...]:
    """Inputs whose address is an OBIS code. ConfigError for one that is none."""
    specs = []
    for meter_input in inputs:
        try:
            specs.append(wanted(meter_input, obis.parse(meter_input.address), site))
        except AddressFault as exc:
            raise ConfigError(f"{meter_input.where or meter_input.point}: {exc}") from exc
    return tuple(specs)


class SmlSource(PolledSource):
    """Listens to one meter. `clock` gives milliseconds since 1970 UTC."""

    def __init__(self, row: SourceRow, site: Site, *, clock: Callable[[], int] = wall_ms) -> None:
        self.settings = settings = settings_for(row)
        mine = wanted_by_code(inputs_of(site.inputs, row.name), site)
        line = PushLine(
            Wire(settings),
            find=find,
            check=check,
            decode=lambda telegram, at_ms: decode(telegram, mine, at_ms),
            clock=clock,
            pace=(settings.period_s, settings.timeout_s),
        )
        super().__init__(row.name, line, Pace(0.0, settings.retry_max_s), clock)
