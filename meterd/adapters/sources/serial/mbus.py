"""M-Bus meters (EN 13757-2, -3) behind a gateway or a level converter. An address is `primary address/record`.

    5/1.8.0                       meter 5, energy; 5/1.8.1 of tariff 1, 5/16.7.0 power
    5/8C1004                      meter 5, the record with these DIF, DIFE, VIF and VIFE bytes
    5/02FDC8#2                    the second of equal ones

`meterd probe` lists the records of a meter with their keys. A telegram names its unit; the plan's counts only where it names
none. Meters are asked one after the other, several telegrams of one meter belong together.
"""

import re
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Literal

from meterd.adapters.sources import inputs_of, sample, settings_from
from meterd.adapters.sources.modbus.registers import AddressFault, number
from meterd.adapters.sources.mqtt import wall_ms
from meterd.adapters.sources.polling import Garbage, Pace, PolledSource, common_faults, refuse
from meterd.adapters.sources.serial.mbus_records import ACK, BadTelegram, Record, Telegram, find_frame, parse
from meterd.adapters.sources.serial_port import LineOptions
from meterd.adapters.sources.tcp import NoAnswer, OverWire, Wire
from meterd.adapters.sources.values import AnswerValues, Item, Wanted, take, wanted
from meterd.core.errors import ConfigError
from meterd.core.model.plan import Input, Site
from meterd.core.model.plan import Source as SourceRow
from meterd.core.model.reading import Refusal

LAST_PRIMARY = 250
TELEGRAMS_LIMIT = 16  # of one meter in one reading
INIT, REQUEST = 0x40, 0x5B  # SND_NKE and REQ_UD2; bit 5 of a request is the frame count bit
COUNT_BIT = 0x20
_OBIS = re.compile(r"[0-9]{1,3}\.[0-9]{1,3}\.[0-9]{1,3}", re.ASCII)
_KEY = re.compile(r"(?:[0-9A-F]{2}){2,40}(?:#[1-9][0-9]?)?", re.ASCII)


@dataclass(frozen=True, slots=True)
class MbusSettings(LineOptions):
    """Options of an M-Bus source: one level converter, several meters behind it."""

    protocol: Literal["mbus"] = "mbus"
    baud: int = 2400
    parity: str = "even"
    period_s: float = 60.0  # a meter at 2400 baud takes about a second to answer, and some run on batteries
    timeout_s: float = 2.0
    retry_max_s: float = 300.0


def settings_for(row: SourceRow, _site: Site | None = None) -> MbusSettings:
    """The options of a source, checked. ConfigError names every fault."""
    settings = settings_from(MbusSettings, row, {})
    refuse(row.name, common_faults(settings))
    return settings


def parse_address(text: str) -> tuple[int, str]:
    """(primary address, record) of an address; AddressFault says what is wrong with it.

    >>> parse_address("5/8c1004")
    (5, '8C1004')
    """
    meter, slash, record = text.partition("/")
    if not slash:
        raise AddressFault(f"{text[:60]!r} is no M-Bus address", "write address/record, such as 5/1.8.0 or 5/8C1004")
    primary = number(meter, "primary address", 0, LAST_PRIMARY)
    if _OBIS.fullmatch(record):
        return primary, record
    if not _KEY.fullmatch(record.upper()):
        right = "write an OBIS code such as 1.8.0, or the DIF-VIF bytes in hexadecimal such as 8C1004"
        raise AddressFault(f"{record[:60]!r} is no record", right)
    return primary, record.upper()


def address_fault(address: str) -> tuple[str, str] | None:
    """What is wrong with an address, and what would be right; None if nothing."""
    try:
        parse_address(address)
    except AddressFault as fault:
        return fault.what, fault.right
    return None


def items_of(records: Iterable[Record]) -> dict[str, Item]:
    """Each value under its key and, where it has one, under its OBIS code."""
    items: dict[str, Item] = {}
    for record in records:
        items.setdefault(record.key, record.item)
        if record.obis:
            items.setdefault(record.obis, record.item)
    return items


def decode(frames: Iterable[bytes], inputs: tuple[Wanted, ...], at_ms: int) -> AnswerValues:
    """Readings of the telegrams of one meter, true at `at_ms`. Never raises for any bytes."""
    records: list[Record] = []
    for frame in frames:
        try:
            records += parse(frame).records
        except BadTelegram as exc:
            return AnswerValues(refusals=tuple(Refusal(o.point, o.register, str(exc), sample(frame)) for o in inputs))
    return take(inputs, items_of(records), at_ms)


class MbusLine(OverWire[Wire]):
    """One connection; its stations are the primary addresses."""

    def __init__(self, settings: MbusSettings, inputs: tuple[Input, ...], site: Site, clock: Callable[[], int]) -> None:
        super().__init__(Wire(settings))
        self._timeout_s = settings.timeout_s
        self._clock = clock
        self._count_bit: dict[int, int] = {}  # per meter that has been initialised on this connection
        self._inputs: dict[str, tuple[Wanted, ...]] = {}
        for meter_input in inputs:
            try:
                primary, record = parse_address(meter_input.address)
            except AddressFault as exc:
                raise ConfigError(f"{meter_input.where or meter_input.point}: {exc}") from exc
            self._inputs[str(primary)] = (*self._inputs.get(str(primary), ()), wanted(meter_input, record, site))

    def stations(self) -> tuple[str, ...]:
        """The primary addresses, as text."""
        return tuple(self._inputs)

    def open(self) -> None:
        """Connect; OSError if that fails."""
        self._count_bit.clear()
        super().open()

    def read(self, station: str) -> AnswerValues:
        """All telegrams of one meter."""
        frames, at_ms = self.ask(int(station))
        return decode(frames, self._inputs[station], at_ms)

    def ask(self, primary: int) -> tuple[tuple[bytes, ...], int]:
        """The telegrams of one meter and the time the first of them came."""
        try:
            if primary not in self._count_bit:
                self._initialise(primary)
            frame, telegram = self._request(primary)
            at_ms, frames = self._clock(), [frame]
            while telegram.more and len(frames) < TELEGRAMS_LIMIT:
                frame, telegram = self._request(primary)
                frames.append(frame)
        except (NoAnswer, Garbage):
            self._count_bit.pop(primary, None)
            self._wire.give_up()  # its late answer must not meet the next request
            raise
        return tuple(frames), at_ms

    def _initialise(self, primary: int) -> None:
        self._wire.drain()
        self._wire.send(short(INIT, primary))
        deadline = time.monotonic() + self._timeout_s
        while ACK not in self._wire.receive(deadline - time.monotonic()):
            continue  # an echo of the request, or noise
        self._count_bit[primary] = COUNT_BIT

    def _request(self, primary: int) -> tuple[bytes, Telegram]:
        """One telegram. The frame count bit is turned after each good one: without it a meter repeats the last."""
        self._wire.drain()
        self._wire.send(short(REQUEST | self._count_bit[primary], primary))
        frame = self._frame()
        try:
            telegram = parse(frame)
        except BadTelegram as exc:
            raise Garbage(f"meter {primary}: {exc}") from exc
        if telegram.address != primary:
            raise Garbage(f"meter {telegram.address} answered, {primary} was asked")
        self._count_bit[primary] ^= COUNT_BIT
        return frame, telegram

    def _frame(self) -> bytes:
        buffer = b""
        limit = time.monotonic() + 3 * self._timeout_s
        while True:
            dropped, frame = find_frame(buffer)
            if frame is not None:
                return frame
            buffer = buffer[dropped:]
            left = limit - time.monotonic()
            if left <= 0:
                raise Garbage("no end of noise where a telegram should be")
            try:
                buffer += self._wire.receive(min(self._timeout_s, left))
            except NoAnswer:
                if buffer:
                    raise Garbage("telegram cut short") from None
                raise


def short(control: int, primary: int) -> bytes:
    """A short frame: start, control, address, check sum, stop (EN 13757-2)."""
    return bytes((0x10, control, primary, control + primary & 0xFF, 0x16))


class MbusSource(PolledSource):
    """Asks the meters of its inputs. `clock` gives milliseconds since 1970 UTC."""

    def __init__(self, row: SourceRow, site: Site, *, clock: Callable[[], int] = wall_ms) -> None:
        self.settings = settings_for(row)
        line = MbusLine(self.settings, inputs_of(site.inputs, row.name), site, clock)
        super().__init__(row.name, line, Pace(self.settings.period_s, self.settings.retry_max_s), clock)
