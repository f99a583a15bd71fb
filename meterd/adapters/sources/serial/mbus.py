"""M-Bus meters (EN 13757-2, -3) behind a gateway or a level converter. An address is `meter/record`.

    5/1.8.0                       meter of primary address 5, energy; 5/1.8.1 of tariff 1, 5/16.7.0 power
    00123456/1.8.0                meter of this identity: its secondary address, eight digits or all sixteen
    5/COUNTER1                    first counter of an old meter
    5/8C1004                      meter 5, the record with these DIF, DIFE, VIF and VIFE bytes
    5/02FDC8#2                    the second of equal ones

`meterd probe` lists the records of a meter with their keys. A telegram names its unit; the plan's counts only where it names
none. Meters are asked one after the other, several telegrams of one meter belong together.
"""

import re
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from importlib.util import find_spec
from typing import Literal

from meterd.adapters.sources import inputs_of, sample, settings_from, wall_ms
from meterd.adapters.sources.modbus.registers import AddressFault, number
from meterd.adapters.sources.polling import Garbage, Pace, PolledSource, common_faults, refuse
from meterd.adapters.sources.serial.mbus_encryption import NO_KEYS, Keys, keys_in
from meterd.adapters.sources.serial.mbus_records import ACK, BadTelegram, Record, Telegram, find_frame, parse
from meterd.adapters.sources.serial_port import LineOptions
from meterd.adapters.sources.tcp import NoAnswer, OverWire, Wire
from meterd.adapters.sources.values import AnswerValues, Item, Wanted, take, wanted
from meterd.core.errors import ConfigError
from meterd.core.model.plan import Input, Site
from meterd.core.model.plan import Source as SourceRow
from meterd.core.model.reading import Refusal

LAST_PRIMARY = 250
SELECTED = 253  # the address of whichever meter was selected by its secondary address
SELECT, SELECTION = 0x53, 0x52  # SND_UD, and the CI field of a selection
SHORTEST_SECONDARY = 8
ANY = b"\xff\xff\xff\xff"  # maker, version and medium that were not given
TELEGRAMS_LIMIT = 16  # of one meter in one reading
INIT, REQUEST = 0x40, 0x5B  # SND_NKE and REQ_UD2; bit 5 of a request is the frame count bit
COUNT_BIT = 0x20
_OBIS = re.compile(r"[0-9]{1,3}\.[0-9]{1,3}\.[0-9]{1,3}", re.ASCII)
_KEY = re.compile(r"(?:[0-9A-F]{2}){2,40}(?:#[1-9][0-9]?)?|COUNTER[12]", re.ASCII)
_SECONDARY = re.compile(r"[0-9]{8}(?:[0-9a-f]{8})?", re.ASCII)


@dataclass(frozen=True, slots=True)
class MbusSettings(LineOptions):
    """Options of an M-Bus source: one level converter, several meters behind it."""

    protocol: Literal["mbus"] = "mbus"
    baud: int = 2400
    parity: str = "even"
    period_s: float = 60.0  # a meter at 2400 baud takes about a second to answer, and some run on batteries
    timeout_s: float = 2.0
    retry_max_s: float = 300.0
    encryption_keys_file: str = ""  # a line for each meter: its eight digits and its key


def settings_for(row: SourceRow, _site: Site | None = None) -> MbusSettings:
    """The options of a source, checked. ConfigError names every fault."""
    settings = settings_from(MbusSettings, row, {})
    faults = common_faults(settings)
    if settings.encryption_keys_file and find_spec("cryptography") is None:
        faults.append("the package cryptography is missing; pip install 'meterd[encrypted]'")
    refuse(row.name, faults)
    return settings


def parse_address(text: str) -> tuple[str, str]:
    """(meter, record) of an address, the meter by its primary or secondary address; AddressFault says what is wrong.

    >>> parse_address("5/8c1004")
    ('5', '8C1004')
    >>> parse_address("00123456/1.8.0")
    ('00123456', '1.8.0')
    """
    meter, slash, record = text.partition("/")
    if not slash:
        raise AddressFault(f"{text[:60]!r} is no M-Bus address", "write meter/record, such as 5/1.8.0 or 5/8C1004")
    if len(meter) > 3:
        if not _SECONDARY.fullmatch(meter.lower()):
            right = "write the eight digits printed on the meter, or all sixteen that meterd probe shows"
            raise AddressFault(f"{meter[:60]!r} is no secondary address", right)
        meter = meter.lower()
    else:
        meter = str(number(meter, "primary address", 0, LAST_PRIMARY))
    if _OBIS.fullmatch(record):
        return meter, record
    if not _KEY.fullmatch(record.upper()):
        right = "write an OBIS code such as 1.8.0, or the DIF-VIF bytes in hexadecimal such as 8C1004"
        raise AddressFault(f"{record[:60]!r} is no record", right)
    return meter, record.upper()


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


def decode(frames: Iterable[bytes], inputs: tuple[Wanted, ...], at_ms: int, keys: Keys = NO_KEYS) -> AnswerValues:
    """Readings of the telegrams of one meter, true at `at_ms`. Never raises for any bytes."""
    records: list[Record] = []
    for frame in frames:
        try:
            records += parse(frame, keys).records
        except BadTelegram as exc:
            return AnswerValues(refusals=tuple(Refusal(o.point, o.register, str(exc), sample(frame)) for o in inputs))
    return take(inputs, items_of(records), at_ms)


class MbusLine(OverWire[Wire]):
    """One connection; its stations are the meters, by primary or secondary address."""

    def __init__(self, settings: MbusSettings, inputs: tuple[Input, ...], site: Site, clock: Callable[[], int]) -> None:
        super().__init__(Wire(settings))
        self.keys = keys_in(settings.encryption_keys_file)
        self._timeout_s = settings.timeout_s
        self._clock = clock
        self._count_bit: dict[str, int] = {}  # per meter that has answered on this connection
        self._inputs: dict[str, tuple[Wanted, ...]] = {}
        for meter_input in inputs:
            try:
                meter, record = parse_address(meter_input.address)
            except AddressFault as exc:
                raise ConfigError(f"{meter_input.where or meter_input.point}: {exc}") from exc
            self._inputs[meter] = (*self._inputs.get(meter, ()), wanted(meter_input, record, site))

    def stations(self) -> tuple[str, ...]:
        """The meters, as their addresses name them."""
        return tuple(self._inputs)

    def open(self) -> None:
        """Connect; OSError if that fails."""
        self._count_bit.clear()
        super().open()

    def read(self, station: str) -> AnswerValues:
        """All telegrams of one meter."""
        frames, at_ms = self.ask(station)
        return decode(frames, self._inputs[station], at_ms, self.keys)

    def ask(self, meter: str) -> tuple[tuple[bytes, ...], int]:
        """The telegrams of one meter and the time the first of them came."""
        try:
            if len(meter) >= SHORTEST_SECONDARY:
                self._command(selection(meter))
                if meter not in self._count_bit:
                    # a selected meter that still has the count bit of an earlier master repeats its last answer: drop it
                    self._count_bit[meter] = COUNT_BIT
                    self._telegrams(meter)
            elif meter not in self._count_bit:
                self._command(short(INIT, int(meter)))
                self._count_bit[meter] = COUNT_BIT
            return self._telegrams(meter)
        except (NoAnswer, Garbage):
            self._count_bit.pop(meter, None)
            self._wire.give_up()  # its late answer must not meet the next request
            raise

    def _telegrams(self, meter: str) -> tuple[tuple[bytes, ...], int]:
        frame, telegram = self._request(meter)
        at_ms, frames = self._clock(), [frame]
        while telegram.more and len(frames) < TELEGRAMS_LIMIT:
            frame, telegram = self._request(meter)
            frames.append(frame)
        return tuple(frames), at_ms

    def _command(self, frame: bytes) -> None:
        """Send what is answered by an acknowledgement alone."""
        self._wire.drain()
        self._wire.send(frame)
        deadline = time.monotonic() + self._timeout_s
        while ACK not in self._wire.receive(deadline - time.monotonic()):
            continue  # an echo of the request, or noise

    def _request(self, meter: str) -> tuple[bytes, Telegram]:
        """One telegram. The frame count bit is turned after each good one: without it a meter repeats the last."""
        secondary = len(meter) >= SHORTEST_SECONDARY
        self._wire.drain()
        self._wire.send(short(REQUEST | self._count_bit[meter], SELECTED if secondary else int(meter)))
        frame = self._frame()
        try:
            telegram = parse(frame, self.keys)
        except BadTelegram as exc:
            raise Garbage(f"meter {meter}: {exc}") from exc
        answered = telegram.secondary if secondary else str(telegram.address)
        if not (_same(answered, meter) if secondary else answered == meter):
            raise Garbage(f"meter {answered or 'without identity'} answered, {meter} was asked")
        self._count_bit[meter] ^= COUNT_BIT
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


def _same(item: str, other: str) -> bool:
    """Whether two secondary addresses agree in what both of them tell, at least the eight digits."""
    return item[:SHORTEST_SECONDARY] == other[:SHORTEST_SECONDARY] and all(
        left == right for left, right in zip(item, other, strict=False)
    )


def selection(secondary: str) -> bytes:
    """The long frame that selects a meter by its secondary address (EN 13757-7); it is answered by an acknowledgement.

    >>> selection("12345678").hex()
    '680b0b6853fd5278563412ffffffffb216'
    """
    rest = bytes.fromhex(secondary[8:]) or ANY
    data = bytes((SELECT, SELECTED, SELECTION)) + bytes.fromhex(secondary[:8])[::-1] + rest
    return bytes((0x68, len(data), len(data), 0x68)) + data + bytes((sum(data) & 0xFF, 0x16))


def short(control: int, primary: int) -> bytes:
    """A short frame: start, control, address, check sum, stop (EN 13757-2)."""
    return bytes((0x10, control, primary, control + primary & 0xFF, 0x16))


class MbusSource(PolledSource):
    """Asks the meters of its inputs. `clock` gives milliseconds since 1970 UTC."""

    def __init__(self, row: SourceRow, site: Site, *, clock: Callable[[], int] = wall_ms) -> None:
        self.settings = settings_for(row)
        line = MbusLine(self.settings, inputs_of(site.inputs, row.name), site, clock)
        super().__init__(row.name, line, Pace(self.settings.period_s, self.settings.retry_max_s), clock)
