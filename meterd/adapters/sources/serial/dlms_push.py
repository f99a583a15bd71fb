"""DLMS/COSEM notifications that a meter sends on its own, as customer ports do (IEC 62056-5-3, -46; EN 13757-3 transport).

An address is the OBIS code: `1.8.0`, or in full `1-1:1.8.0*255`. A value counts where its code stands before it; a unit and a
power of ten may follow it. Notifications are plain or encrypted with a key that the operator of the grid hands out. The data
are read here: of the libraries for DLMS none is both maintained and under an open licence. Decryption is left to
`cryptography`, an extra, loaded with the first encrypted telegram.
"""

import math
import struct
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from importlib.util import find_spec
from typing import Literal

from meterd.adapters.runtime.secret import secret
from meterd.adapters.sources import inputs_of, obis, sample, settings_from, wall_ms
from meterd.adapters.sources.listening import PushLine
from meterd.adapters.sources.polling import Pace, PolledSource, common_faults, refuse
from meterd.adapters.sources.serial.sml import cosem_item, crc_x25, wanted_by_code
from meterd.adapters.sources.serial_port import LineOptions
from meterd.adapters.sources.tcp import Wire
from meterd.adapters.sources.values import AnswerValues, Item, Wanted, take
from meterd.core.errors import ConfigError
from meterd.core.model.plan import Site
from meterd.core.model.plan import Source as SourceRow
from meterd.core.model.reading import Refusal

FLAG = 0x7E
SHORTEST_HDLC = 9
LLC = b"\xe6\xe7\x00"  # before the data of the first frame
MBUS_START, MBUS_STOP = 0x68, 0x16
MBUS_HEAD = 5  # control, address, control information, two access points
LAST_SEGMENT = 0x10  # bit of the control information; below it stands the number of the segment
NOTIFICATION, CIPHERED = 0x0F, 0xDB
AUTHENTICATED, ENCRYPTED, COMPRESSED = 0x10, 0x20, 0x80  # bits of the security control byte
TAG_BYTES = 12  # of authentication, at the end of what is both encrypted and authenticated
# data types of A-XDR: bytes of the integers (negative: with a sign), bytes of what no register takes
INTEGERS = {5: -4, 6: 4, 15: -1, 16: -2, 17: 1, 18: 2, 20: -8, 21: 8, 22: 1}
FIXED = {3: 1, 13: 1, 25: 12, 26: 5, 27: 4}
FLOATS = {23: ">f", 24: ">d"}
LISTS, STRINGS, BITS = (1, 2), (9, 10, 12), 4
DEEPEST = 12  # lists inside lists; a notification has 4
MOST_VALUES = 5000
KEY_DIGITS = (32, 64)


@dataclass(frozen=True, slots=True)
class DlmsPushSettings(LineOptions):
    """Options of a customer port: one line, one meter."""

    protocol: Literal["dlms-push"] = "dlms-push"
    framing: str = "hdlc"  # or mbus
    period_s: float = 10.0  # of all that the meter sends, one telegram so often
    timeout_s: float = 10.0
    encryption_key_env: str = ""
    encryption_key_file: str = ""
    authentication_key_env: str = ""
    authentication_key_file: str = ""


def settings_for(row: SourceRow, _site: Site | None = None) -> DlmsPushSettings:
    """The options of a source, checked. ConfigError names every fault."""
    settings = settings_from(DlmsPushSettings, row, {})
    faults = common_faults(settings)
    if settings.framing not in FRAMINGS:
        faults.append(f"option framing is one of {', '.join(FRAMINGS)}")
    if (settings.encryption_key_env or settings.encryption_key_file) and find_spec("cryptography") is None:
        faults.append("the package cryptography is missing; pip install 'meterd[encrypted]'")
    refuse(row.name, faults)
    return settings


address_fault = obis.address_fault


class BadTelegram(ValueError):
    """What arrived is no sound telegram."""


@dataclass(frozen=True, slots=True)
class Keys:
    """Of one meter; empty where there is none."""

    encryption: bytes = b""
    authentication: bytes = b""


def keys_of(settings: DlmsPushSettings) -> Keys:
    """The keys from environment or files. ConfigError for one that cannot be read or is none."""
    return Keys(
        _key(settings.encryption_key_env, settings.encryption_key_file, "the encryption key"),
        _key(settings.authentication_key_env, settings.authentication_key_file, "the authentication key"),
    )


def _key(variable: str, path: str, what: str) -> bytes:
    text = secret(variable, path, what).strip()
    try:
        key = bytes.fromhex(text)
    except ValueError:
        key = b""
    if text and 2 * len(key) not in KEY_DIGITS:
        raise ConfigError(f"{what} is no key; write its 32 or 64 hexadecimal digits")
    return key


@dataclass(frozen=True, slots=True)
class Frame:
    """Where one frame stands in a stream, and whether it ends its telegram."""

    start: int
    stop: int
    last: bool


NextFrame = Callable[[bytes, int], Frame | int]  # the next frame from a place on, or from where on bytes are missing


def hdlc_frame(data: bytes, at: int) -> Frame | int:
    """A frame of format type 3 between its flags. One flag may end a frame and begin the next."""
    while (start := data.find(FLAG, at)) >= 0:
        head = data[start + 1 : start + 3]
        if len(head) < 2:
            return start
        stop = start + 2 + (int.from_bytes(head, "big") & 0x07FF)
        if head[0] & 0xF0 != 0xA0 or stop - start < SHORTEST_HDLC:
            at = start + 1
        elif stop > len(data):
            return start
        elif data[stop - 1] != FLAG:
            at = start + 1
        else:
            return Frame(start, stop, not head[0] & 0x08)
    return len(data)


def mbus_frame(data: bytes, at: int) -> Frame | int:
    """A long frame of M-Bus, which carries one segment of a telegram."""
    while (start := data.find(MBUS_START, at)) >= 0:
        head = data[start : start + 4]
        if len(head) < 4:
            return start
        stop = start + head[1] + 6
        if head[1] != head[2] or head[3] != MBUS_START or head[1] < MBUS_HEAD:
            at = start + 1
        elif stop > len(data):
            return start
        elif data[stop - 1] != MBUS_STOP:
            at = start + 1
        else:
            return Frame(start, stop, bool(data[start + 6] & LAST_SEGMENT))
    return len(data)


def find(data: bytes, next_frame: NextFrame) -> tuple[int, bytes | None]:
    """(bytes to drop, all frames of one telegram or None). What stands between two frames parts telegrams."""
    begin, at = -1, 0
    while not isinstance(frame := next_frame(data, at), int):
        if begin < 0 or frame.start > at + 1:
            begin = frame.start
        if frame.last:
            return frame.stop - (data[frame.stop - 1] == FLAG), data[begin : frame.stop]
        at = frame.stop - (data[frame.stop - 1] == FLAG)
    return (frame if begin < 0 else begin), None


def _frames(telegram: bytes, next_frame: NextFrame) -> Iterator[bytes]:
    at = 0
    while at < len(telegram) and not isinstance(frame := next_frame(telegram, at), int):
        yield telegram[frame.start : frame.stop]
        at = frame.stop - (not frame.last and telegram[frame.stop - 1] == FLAG)


def hdlc_data(telegram: bytes) -> bytes:
    """What the frames of a telegram carry. BadTelegram for a wrong check sum."""
    parts = []
    for frame in _frames(telegram, hdlc_frame):
        body = frame[1:-3]
        if crc_x25(body) != int.from_bytes(frame[-3:-1], "little"):
            raise BadTelegram("wrong check sum")
        at = 2
        for _ in ("destination", "source"):  # the last byte of an address is odd
            while at < len(body) and not body[at] & 1:
                at += 1
            at += 1
        parts.append(body[at + 3 :])  # behind control and the check sum of the head
    data = b"".join(parts)
    if not data.startswith(LLC):
        raise BadTelegram("the beginning of the telegram is missing")
    return data[len(LLC) :]


def mbus_data(telegram: bytes) -> bytes:
    """What the frames of a telegram carry. BadTelegram for a wrong check sum or a segment that is missing."""
    parts = []
    for number, frame in enumerate(_frames(telegram, mbus_frame)):
        if sum(frame[4:-2]) & 0xFF != frame[-2]:
            raise BadTelegram("wrong check sum")
        if frame[6] & 0x0F != number & 0x0F:
            raise BadTelegram(f"segment {frame[6] & 0x0F} where {number & 0x0F} should be")
        parts.append(frame[4 + MBUS_HEAD : -2])
    return b"".join(parts)


FRAMINGS: dict[str, tuple[NextFrame, Callable[[bytes], bytes]]] = {
    "hdlc": (hdlc_frame, hdlc_data),
    "mbus": (mbus_frame, mbus_data),
}


Value = bytes | int | float | list["Value"] | None


class _Reader:
    """Fields of type, length and value, one after the other. BadTelegram where there is none."""

    def __init__(self, data: bytes) -> None:
        self.data = data
        self.at = 0
        self.count = 0

    def bytes(self, size: int) -> bytes:
        """The next so many bytes."""
        self.at += size
        if self.at > len(self.data):
            raise BadTelegram("the notification is cut short")
        return self.data[self.at - size : self.at]

    def length(self) -> int:
        """A length: below 128 in one byte, else how many bytes it has, and those."""
        first = self.bytes(1)[0]
        if first > 0x84:
            raise BadTelegram("a length beyond any telegram")
        return first if first < 0x80 else int.from_bytes(self.bytes(first & 0x7F), "big")

    def value(self, depth: int = 0) -> Value:
        """The next value with all that is in it; None for null data and for types that no register takes."""
        self.count += 1
        if depth > DEEPEST or self.count > MOST_VALUES:
            raise BadTelegram("nested too deeply or too long")
        tag = self.bytes(1)[0]
        if tag in LISTS:
            return [self.value(depth + 1) for _ in range(self.length())]
        if tag in INTEGERS:
            size = INTEGERS[tag]
            return int.from_bytes(self.bytes(abs(size)), "big", signed=size < 0)
        if tag in STRINGS:
            return self.bytes(self.length())
        if tag in FLOATS:
            (real,) = struct.unpack(FLOATS[tag], self.bytes(struct.calcsize(FLOATS[tag])))
            return real if math.isfinite(real) else None
        if tag in FIXED or tag == BITS:
            self.bytes(FIXED[tag] if tag in FIXED else (self.length() + 7) // 8)
        elif tag != 0:
            raise BadTelegram(f"data type {tag} is not known")
        return None


def items_of(data: bytes, keys: Keys) -> dict[str, Item]:
    """Each value of a notification under its short OBIS code. BadTelegram for anything else."""
    if data[:1] == bytes((CIPHERED,)):
        data = _decrypted(data, keys)
    if data[:1] != bytes((NOTIFICATION,)) or len(data) < 7 or data[5] not in (0, 12):
        what = "another key than the meter's, or no notification" if keys.encryption else "no notification"
        raise BadTelegram(f"{what}: it begins with {data[:6].hex() or 'nothing'}")
    items: dict[str, Item] = {}
    for code, item in _entries(_Reader(data[6 + data[5] :]).value()):
        items.setdefault(code, item)
    return items


def _entries(node: Value) -> Iterator[tuple[str, Item]]:
    """Codes with the values behind them, at any depth."""
    if not isinstance(node, list):
        return
    for place, part in enumerate(node):
        yield from _entries(part)
        match node[place:]:
            case [bytes(code), int() | float() | None as value, [int(scaler), int(unit)], *_] if len(code) == 6:
                yield obis.of_bytes(code), cosem_item(unit, scaler, value)
            case [bytes(code), int() | float() | None as value, *_] if len(code) == 6:
                yield obis.of_bytes(code), cosem_item(None, None, value)


def _decrypted(data: bytes, keys: Keys) -> bytes:
    """AES-GCM (IEC 62056-5-3, general-glo-ciphering). The tag is verified where an authentication key is known."""
    if not keys.encryption:
        raise BadTelegram("the telegram is encrypted; name its key by encryption_key_file or encryption_key_env")
    from cryptography.exceptions import InvalidTag
    from cryptography.hazmat.primitives.ciphers import Cipher, algorithms, modes

    reader = _Reader(data[1:])
    title = reader.bytes(reader.length())
    inner = _Reader(reader.bytes(reader.length()))
    how, counter = inner.bytes(1), inner.bytes(4)
    text, tag = inner.bytes(len(inner.data) - inner.at), b""
    if not how[0] & ENCRYPTED or how[0] & COMPRESSED:
        raise BadTelegram(f"security control {how.hex()}: only encrypted telegrams without compression are read")
    if how[0] & AUTHENTICATED:
        if len(text) < TAG_BYTES:
            raise BadTelegram("the encrypted telegram is cut short")
        text, tag = text[:-TAG_BYTES], text[-TAG_BYTES:]
    start = title + counter
    if len(start) != 12:
        raise BadTelegram("the encrypted telegram does not name its meter")
    aes = algorithms.AES(keys.encryption)
    if not (tag and keys.authentication):  # GCM without its tag
        return bytes(Cipher(aes, modes.CTR(start + (2).to_bytes(4, "big"))).decryptor().update(text))
    decryptor = Cipher(aes, modes.GCM(start, tag, min_tag_length=TAG_BYTES)).decryptor()
    decryptor.authenticate_additional_data(how + keys.authentication)
    try:
        return bytes(decryptor.update(text) + decryptor.finalize())
    except InvalidTag as exc:
        raise BadTelegram("the tag of the encrypted telegram is wrong: another key, or changed on its way") from exc


def decode(data: bytes, keys: Keys, inputs: tuple[Wanted, ...], at_ms: int) -> AnswerValues:
    """Readings of what one telegram carries, true at `at_ms`: a meter sends several lists. Never raises for any bytes."""
    try:
        items = items_of(data, keys)
    except BadTelegram as exc:
        return AnswerValues(refusals=tuple(Refusal(o.point, o.register, str(exc), sample(data)) for o in inputs))
    return take((spec for spec in inputs if spec.key in items), items, at_ms)


def kind_of(data: bytes, keys: Keys, inputs: tuple[Wanted, ...]) -> frozenset[str] | str | None:
    """Which of the lists of a meter it is, by the wanted codes in it; None without any, "unreadable" for what is none."""
    try:
        items = items_of(data, keys)
    except BadTelegram:
        return "unreadable"
    return frozenset(spec.key for spec in inputs if spec.key in items) or None


class DlmsPushSource(PolledSource):
    """Listens to one meter. `clock` gives milliseconds since 1970 UTC."""

    def __init__(self, row: SourceRow, site: Site, *, clock: Callable[[], int] = wall_ms) -> None:
        self.settings = settings = settings_for(row)
        keys = keys_of(settings)
        mine = wanted_by_code(inputs_of(site.inputs, row.name), site)
        next_frame, carried = FRAMINGS[settings.framing]
        line = PushLine(
            Wire(settings),
            find=lambda data: find(data, next_frame),
            check=carried,
            decode=lambda telegram, at_ms: decode(carried(telegram), keys, mine, at_ms),
            clock=clock,
            kind=lambda telegram: kind_of(carried(telegram), keys, mine),
            pace=(settings.period_s, settings.timeout_s),
        )
        super().__init__(row.name, line, Pace(0.0, settings.retry_max_s), clock)
