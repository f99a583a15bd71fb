"""Readouts of IEC 62056-21 (data lines of OBIS code, value and unit in ASCII) through a serial device server.

An address is the OBIS code: `1.8.0`, or in full `1-0:1.8.0*255`; `1.8.0*01` is a past period. Two ways to get a readout:

    start = "sign-on"     the meter is asked every period (mode C: sign-on, acknowledgement at the same speed; also A and B)
    start = "listen"      the meter sends on its own (mode D, and customer ports with a CRC behind the exclamation mark)

A readout is believed only with its check: block check character behind ETX, or CRC-16 behind `!`; option `check = false`
takes a listening readout that has neither.
"""

import re
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

from meterd.adapters.sources import inputs_of, obis, sample, settings_from, wall_ms
from meterd.adapters.sources.listening import BUFFER_LIMIT, STATION, PushLine
from meterd.adapters.sources.number import NotANumber, from_text
from meterd.adapters.sources.polling import Garbage, Line, Pace, PolledSource, common_faults, refuse
from meterd.adapters.sources.serial.sml import wanted_by_code
from meterd.adapters.sources.serial_port import LineOptions
from meterd.adapters.sources.tcp import NoAnswer, OverWire, Wire
from meterd.adapters.sources.values import AnswerValues, Item, Wanted, take
from meterd.core.model.plan import Site
from meterd.core.model.plan import Source as SourceRow
from meterd.core.model.reading import UNITS, Refusal

STX, ETX, ACK = 0x02, 0x03, b"\x06"
STARTS = ("sign-on", "listen")
_LINE = re.compile(r"([^()]{1,24})((?:\([^()]{0,128}\))+)")
_GROUP = re.compile(r"\(([^()]{0,128})\)")
_IDENTITY = re.compile(rb"/[A-Za-z]{3}(.)[^\r\n]{0,32}\r\n")
_DEVICE = re.compile(r"[0-9A-Za-z]{0,32}", re.ASCII)


@dataclass(frozen=True, slots=True)
class ReadoutSettings(LineOptions):
    """Options of an IEC 62056-21 source: one reading head, one meter."""

    protocol: Literal["iec62056-21"] = "iec62056-21"
    baud: int = 300
    data_bits: int = 7
    parity: str = "even"
    start: str = "sign-on"  # or "listen"
    device: str = ""  # address of the meter in the sign-on; empty: the only one on the line
    speed: str = (
        "0"  # baud character of the acknowledgement; the device server cannot change its speed, so 0 stays at it
    )
    check: bool = True  # refuse a readout without block check or CRC
    period_s: float = 60.0  # a readout at 300 baud takes half a minute
    timeout_s: float = 5.0
    retry_max_s: float = 300.0


def settings_for(row: SourceRow, _site: Site | None = None) -> ReadoutSettings:
    """The options of a source, checked. ConfigError names every fault."""
    settings = settings_from(ReadoutSettings, row, {})
    faults = common_faults(settings)
    if settings.start not in STARTS:
        faults.append(f"option start is one of {', '.join(STARTS)}")
    if not _DEVICE.fullmatch(settings.device):
        faults.append("option device has at most 32 letters and digits")
    if len(settings.speed) != 1 or not settings.speed.isascii() or not settings.speed.isalnum():
        faults.append('option speed is one character, "0" to "9" or "A" to "I"')
    refuse(row.name, faults)
    return settings


address_fault = obis.address_fault


class BadTelegram(ValueError):
    """What arrived is no sound readout."""


def seven_bits(data: bytes) -> bytes:
    """Without the parity bit, which a device server set to eight bits passes on."""
    return bytes(byte & 0x7F for byte in data)


def block_check(data: bytes) -> int:
    """Exclusive or of all bytes behind STX up to and with ETX (IEC 1155, as IEC 62056-21 asks for).

    >>> hex(block_check(bytes.fromhex("2f0d0a03")))
    '0x2b'
    """
    value = 0
    for byte in data:
        value ^= byte
    return value & 0x7F


def crc_arc(data: bytes) -> int:
    """CRC-16/ARC (polynomial 8005, reflected, start 0), as customer ports append it to a telegram.

    >>> hex(crc_arc(b"123456789"))
    '0xbb3d'
    """
    crc = 0
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = crc >> 1 ^ 0xA001 if crc & 1 else crc >> 1
    return crc


def find(data: bytes) -> tuple[int, bytes | None]:
    """(bytes to drop, readout or None): from STX to the block check, or from the identity to the end of the line of `!`."""
    plain = seven_bits(data)
    starts = [place for place in (plain.find(b"/"), plain.find(bytes((STX,)))) if place >= 0]
    if not starts:
        return len(data), None
    start = min(starts)
    stx = plain.find(bytes((STX,)), start)
    mark = plain.find(b"!", start)
    if stx >= 0 and (mark < 0 or stx < mark):
        end = plain.find(bytes((ETX,)), stx)
        if end < 0 or end + 1 >= len(data):
            return start, None
        return end + 2, data[
            plain.rfind(bytes((STX,)), stx, end) : end + 2
        ]  # the last start: one before it was cut short
    if mark < 0:
        return start, None
    end = plain.find(b"\n", mark)
    if end < 0:
        return start, None
    again = plain.rfind(b"\n/", start, mark)  # a telegram that was cut short before this one
    return end + 1, data[max(start, again + 1) : end + 1]


def check(telegram: bytes, *, needed: bool = True) -> None:
    """BadTelegram unless block check or CRC is right; without either only if none is `needed`."""
    plain = seven_bits(telegram)
    if plain[:1] == bytes((STX,)):
        if len(plain) < 4 or plain[-2] != ETX or block_check(plain[1:-1]) != plain[-1]:
            raise BadTelegram("wrong block check")
        return
    mark = plain.find(b"!")
    reported = plain[mark + 1 :].strip()
    if mark < 0 or not plain.startswith(b"/"):
        raise BadTelegram("no readout")
    if not reported:
        if needed:
            raise BadTelegram("readout without check sum; option check = false takes it all the same")
        return
    if not re.fullmatch(rb"[0-9A-F]{4}", reported) or int(reported, 16) != crc_arc(telegram[: mark + 1]):
        raise BadTelegram("wrong check sum")


def items_of(telegram: bytes) -> dict[str, Item]:
    """Each value of a readout under its short OBIS code; lines that are none are passed over."""
    items: dict[str, Item] = {}
    text = seven_bits(telegram).decode("ascii")
    for line in re.split(r"[\r\n\x02\x03]+", text):
        match = _LINE.match(line.strip())
        code = obis.short(match[1]) if match else None
        if match is None or code is None:
            continue
        item = _item(_GROUP.findall(match[2]))
        if item is not None:
            items.setdefault(code, item)
    return items


def _item(groups: list[str]) -> Item | None:
    """The value of a line: the first group with a unit, else the first that is a number. None for texts and foreign units."""
    for group in sorted(groups, key=lambda item: "*" not in item):
        shown, _, unit = group.partition("*")
        try:
            value = from_text(shown)
        except NotANumber:
            continue
        if unit and unit not in UNITS:
            return None
        return Item(value, unit, group)
    return None


def decode(telegram: bytes, inputs: tuple[Wanted, ...], at_ms: int, *, needed: bool = True) -> AnswerValues:
    """Readings of one readout, true at `at_ms`. Never raises for any bytes."""
    try:
        check(telegram, needed=needed)
    except BadTelegram as exc:
        return AnswerValues(refusals=tuple(Refusal(o.point, o.register, str(exc), sample(telegram)) for o in inputs))
    return take(inputs, items_of(telegram), at_ms)


class ReadoutLine(OverWire[Wire]):
    """One connection to one meter that is asked."""

    def __init__(self, settings: ReadoutSettings, inputs: tuple[Wanted, ...], clock: Callable[[], int]) -> None:
        self._settings = settings
        super().__init__(Wire(settings))
        self._inputs = inputs
        self._clock = clock

    def stations(self) -> tuple[str, ...]:
        """The one meter."""
        return (STATION,)

    def read(self, station: str) -> AnswerValues:
        """Sign on, acknowledge where the meter waits for it, take the readout."""
        telegram = self.ask()
        try:
            check(telegram)
        except BadTelegram as exc:
            self._wire.give_up()
            raise Garbage(str(exc)) from exc
        return decode(telegram, self._inputs, self._clock())

    def ask(self) -> bytes:
        """One readout, unchecked."""
        try:
            return self._ask()
        except (NoAnswer, Garbage):
            self._wire.give_up()  # a late readout must not be taken for the next one
            raise

    def _ask(self) -> bytes:
        self._wire.drain()
        self._wire.send(f"/?{self._settings.device}!\r\n".encode())
        buffer = self._receive(b"", lambda data: _IDENTITY.search(seven_bits(data)) is not None)
        identity = _IDENTITY.search(seven_bits(buffer))
        assert identity is not None, "it was waited for"
        buffer = buffer[identity.end() :]
        if identity[1].isdigit():  # a digit: mode C, which waits; a letter: mode A or B, which goes on by itself
            self._wire.send(ACK + f"0{self._settings.speed}0\r\n".encode())
        buffer = self._receive(buffer, lambda data: _readout(data) is not None)
        telegram = _readout(buffer)
        assert telegram is not None, "it was waited for"
        return telegram

    def _receive(self, buffer: bytes, enough: Callable[[bytes], bool]) -> bytes:
        """Until there is enough; each piece may take the time-out, a readout at 300 baud takes many."""
        limit = time.monotonic() + 20 * self._settings.timeout_s
        while not enough(buffer):
            if len(buffer) > BUFFER_LIMIT or time.monotonic() > limit:
                raise Garbage(f"no end of a readout from {self._wire.peer()}")
            try:
                buffer += self._wire.receive(self._settings.timeout_s)
            except NoAnswer:
                if len(buffer) > 2:
                    raise Garbage(f"readout from {self._wire.peer()} cut short") from None
                raise
        return buffer


def _readout(data: bytes) -> bytes | None:
    """From STX to the block check, if both are there."""
    plain = seven_bits(data)
    start = plain.find(bytes((STX,)))
    end = plain.find(bytes((ETX,)), start) if start >= 0 else -1
    return data[start : end + 2] if end >= 0 and end + 1 < len(data) else None


class ReadoutSource(PolledSource):
    """Asks or listens to one meter. `clock` gives milliseconds since 1970 UTC."""

    def __init__(self, row: SourceRow, site: Site, *, clock: Callable[[], int] = wall_ms) -> None:
        self.settings = settings = settings_for(row)
        mine = wanted_by_code(inputs_of(site.inputs, row.name), site)
        line: Line
        if settings.start == "sign-on":
            line, period_s = ReadoutLine(settings, mine, clock), settings.period_s
        else:
            period_s = 0.0
            line = PushLine(
                Wire(settings),
                find=find,
                check=lambda telegram: check(telegram, needed=settings.check),
                decode=lambda telegram, at_ms: decode(telegram, mine, at_ms, needed=settings.check),
                clock=clock,
                pace=(settings.period_s, settings.timeout_s),
            )
        super().__init__(row.name, line, Pace(period_s, settings.retry_max_s), clock)
