"""M-Bus telegrams (EN 13757-2, -3) to records: frame with check sum, header, and each record with its key, value and unit.

Pure. The key of a record is its DIF, DIFE, VIF and VIFE bytes in hexadecimal, such as `8C1004`, with `#2` for the second of
equal ones. The two values of the fixed data structure of old meters are `COUNTER1` and `COUNTER2`. Records whose meaning the
standard fixes also have an OBIS code: `1.8.0` energy, `1.8.1` of tariff 1, `16.7.0` power. The bytes FF and what follows them
are the maker's own: such records are reached by their key alone.
"""

import math
import struct
from collections.abc import Iterator
from dataclasses import dataclass, replace

from meterd.adapters.sources.serial.mbus_encryption import AFL, NO_KEYS, BadEncryption, Keys, afl_of, decrypted
from meterd.adapters.sources.values import Item

ACK = b"\xe5"
LONG, SHORT, STOP = 0x68, 0x10, 0x16
RESPONSE = 0x08  # C field of user data from a meter; bits 4 and 5 (ACD, DFC) may be set
LONG_HEADER = 0x72
VARIABLE = {LONG_HEADER: 12, 0x7A: 4, 0x78: 0}  # CI field -> bytes of the header that follows
FIXED = 0x73  # CI field of the fixed data structure: identity, access number, status, two units, two counters
FIXED_LENGTH = 16
BINARY, STORED = 0x01, 0x02  # bits of its status: counters in binary, counters of a fixed date
UNCLEAR = 0xC0  # its bits 6 and 7: the maker's own by the published text, binary and stored for an open reader
HISTORIC = 0x3E  # unit of a counter: that of the other one, at a fixed date
MAKER, MAKER_MORE, IDLE = 0x0F, 0x1F, 0x2F
INTEGERS = {1: 1, 2: 2, 3: 3, 4: 4, 6: 6, 7: 8}  # data field -> bytes
DIGITS = {0x9: 1, 0xA: 2, 0xB: 3, 0xC: 4, 0xE: 6}
RECORDS_LIMIT = 500
LONGEST_FRAME = 261
FUNCTIONS = ("now", "maximum", "minimum", "at error")
NO_VALUE = range(
    0x15, 0x1C
)  # VIFE of a record error: no data, overflow, underflow, data error ... (EN 13757-3, table of errors)


class BadTelegram(ValueError):
    """What arrived is no telegram of a meter."""


@dataclass(frozen=True, slots=True)
class Record:
    """One value as the meter sends it. `item.unit` is empty where the telegram names none of ours."""

    key: str
    item: Item
    function: int
    storage: int
    tariff: int
    subunit: int
    quantity: str  # energy, power, voltage, current, frequency, or what else is known
    obis: str = ""


@dataclass(frozen=True, slots=True)
class Telegram:
    """An answer: who, and what. `more` asks for the next one of several.

    `secondary` is the secondary address: eight digits of identity, and where the telegram tells them two bytes of the
    maker, version and medium, in hexadecimal as they are sent. Empty where the telegram does not say who it is from.
    """

    address: int
    secondary: str
    records: tuple[Record, ...]
    more: bool


@dataclass(frozen=True, slots=True)
class Meaning:
    """What a VIF says: quantity, unit of ours, power of ten, and marks of its VIFE."""

    quantity: str = ""
    unit: str = ""
    exponent: int = 0
    factor: float = 1.0
    backward: bool = False
    phase: int = 0
    maker: bool = False
    invalid: bool = False


def frame_length(data: bytes) -> int | None:
    """Bytes of the frame that begins `data`, None while that is not yet known; BadTelegram if none begins there."""
    if data[:1] == ACK:
        return 1
    if data[0] == SHORT:
        return 5
    if data[0] != LONG:
        raise BadTelegram("no frame begins here")
    if len(data) < 4:
        return None
    if data[1] != data[2] or data[3] != LONG or data[1] < 3:
        raise BadTelegram("length bytes of the frame differ")
    return data[1] + 6


def find_frame(data: bytes) -> tuple[int, bytes | None]:
    """(bytes to drop, long frame or None): noise, echoes of a request and acknowledgements before it are passed over."""
    start = 0
    while start < len(data):
        place = data.find(LONG, start)
        if place < 0:
            return len(data), None
        try:
            length = frame_length(data[place:])
        except BadTelegram:
            start = place + 1
            continue
        if length is None or place + length > len(data):
            return place, None
        return place + length, data[place : place + length]
    return len(data), None


def parse(frame: bytes, keys: Keys = NO_KEYS) -> Telegram:
    """The telegram in a long frame, decrypted with the key of its meter.

    BadTelegram for a wrong check sum, another kind of frame, records cut short, or a key that is missing or wrong.
    """
    if len(frame) < 9 or frame[0] != LONG or frame_length(frame) != len(frame) or frame[-1] != STOP:
        raise BadTelegram("no long frame")
    if sum(frame[4:-2]) & 0xFF != frame[-2]:
        raise BadTelegram("wrong check sum")
    control, address, kind = frame[4:7]
    if control & 0xCF != RESPONSE:
        raise BadTelegram(f"control field {control:02x} is no answer of a meter")
    data = frame[7:-2]
    if kind == FIXED:
        return Telegram(address, data[3::-1].hex(), _counters(data), False)
    try:
        secondary, body = _opened(kind, data, keys)
    except BadEncryption as exc:
        raise BadTelegram(str(exc)) from exc
    records, more = _records(body)
    return Telegram(address, secondary, records, more)


def _opened(kind: int, data: bytes, keys: Keys) -> tuple[str, bytes]:
    """(secondary address, records as bytes) of the variable data structure, without its headers and decrypted."""
    afl = None
    if kind == AFL:
        afl, data = afl_of(data)
        kind, data = (data[0], data[1:]) if data else (0, data)
    if kind not in VARIABLE:
        raise BadTelegram(f"data structure {kind:02x} is not known here, only 72, 73, 78 and 7a")
    header, body = data[: VARIABLE[kind]], data[VARIABLE[kind] :]
    if len(header) < VARIABLE[kind]:
        raise BadTelegram("header cut short")
    secondary = header[3::-1].hex() + header[4:8].hex() if kind == LONG_HEADER else ""
    if header and header[-1] & 0x1F:  # mode of encryption in the configuration word
        if not secondary:
            raise BadEncryption("the telegram is encrypted and does not say which meter sent it")
        body = decrypted(header, body, keys, afl)
    return secondary, body


def _counters(data: bytes) -> tuple[Record, ...]:
    """The two counters of the fixed data structure (EN 1434-3; units: table of libmbus, BSD-3)."""
    if len(data) != FIXED_LENGTH:
        raise BadTelegram(f"fixed data structure of {len(data)} bytes, it has {FIXED_LENGTH}")
    status, units = data[5], (data[6] & 0x3F, data[7] & 0x3F)
    if status & UNCLEAR:
        raise BadTelegram(f"status {status:02x}: whether the counters are binary or stored is not sure")
    records: list[Record] = []
    for place, unit in enumerate(units):
        raw = data[8 + 4 * place :][:4]
        meaning = _fixed_unit(units[1 - place] if unit == HISTORIC else unit)
        stored = int(unit == HISTORIC or bool(status & STORED))
        value = int.from_bytes(raw, "little", signed=True) if status & BINARY else _decimal(raw)
        item = Item(None if value is None else _scaled(value, meaning), meaning.unit, raw.hex())
        record = Record(f"COUNTER{place + 1}", item, 0, stored, 0, 0, meaning.quantity)
        code = _obis(record, meaning)
        records.append(replace(record, obis="" if any(code == earlier.obis for earlier in records) else code))
    return tuple(records)


def _fixed_unit(code: int) -> Meaning:
    if 0x02 <= code < 0x0B:
        return Meaning("energy", "Wh", code - 0x02)
    if 0x0B <= code < 0x14:
        return Meaning("energy", "Wh", code - 0x0B + 3, 1 / 3600)  # kilojoules
    if 0x14 <= code < 0x1D:
        return Meaning("power", "W", code - 0x14)
    if 0x1D <= code < 0x26:
        return Meaning("power", "W", code - 0x1D + 3, 1 / 3600)  # kilojoules an hour
    return Meaning("other")


def _records(body: bytes) -> tuple[tuple[Record, ...], bool]:
    records: list[Record] = []
    keys: dict[str, int] = {}
    named: set[str] = set()
    at, more = 0, False
    while at < len(body) and len(records) < RECORDS_LIMIT:
        if body[at] == IDLE:
            at += 1
            continue
        if body[at] in (MAKER, MAKER_MORE):
            more = body[at] == MAKER_MORE
            break
        record, at = _record(body, at)
        keys[record.key] = keys.get(record.key, 0) + 1
        key = record.key if keys[record.key] == 1 else f"{record.key}#{keys[record.key]}"
        obis = record.obis if record.obis not in named else ""
        named.add(obis)
        records.append(replace(record, key=key, obis=obis))
    return tuple(records), more


def _record(body: bytes, at: int) -> tuple[Record, int]:
    try:
        return _read_record(body, at)
    except IndexError as exc:
        raise BadTelegram("record cut short") from exc


def _read_record(body: bytes, start: int) -> tuple[Record, int]:
    dif = body[start]
    at = start + 1
    storage, tariff, subunit, place = dif >> 6 & 1, 0, 0, 0
    extended = dif & 0x80
    while extended:
        dife = body[at]
        storage |= (dife & 0x0F) << 1 + 4 * place
        tariff |= (dife >> 4 & 3) << 2 * place
        subunit |= (dife >> 6 & 1) << place
        extended, at, place = dife & 0x80, at + 1, place + 1
    meaning, key_end, at = _meaning(body, at)
    key = body[start:key_end].hex().upper()
    value, shown, at = _value(body, at, dif & 0x0F)
    item = Item(None if meaning.invalid or value is None else _scaled(value, meaning), meaning.unit, shown)
    record = Record(key, item, dif >> 4 & 3, storage, tariff, subunit, meaning.quantity)
    return replace(record, obis=_obis(record, meaning)), at


def _meaning(body: bytes, at: int) -> tuple[Meaning, int, int]:
    """(meaning, where the key ends, where the value begins)."""
    vif = body[at]
    at += 1
    code, extended = vif & 0x7F, vif & 0x80
    if code == 0x7C:  # the unit is text: the key is enough
        end = at + 1 + body[at]
        for _ in _extensions(body, end, extended):
            end += 1
        return Meaning("text"), end, end
    if vif in (0xFD, 0xFB):
        code, extended = body[at] & 0x7F, body[at] & 0x80
        at += 1
        meaning = _first_extension(code) if vif == 0xFD else _second_extension(code)
    else:
        meaning = Meaning("maker's own", maker=True) if code == 0x7F else _primary(code)
    table_of_phases = False
    for byte in _extensions(body, at, extended):
        at += 1
        if table_of_phases:
            meaning = _phase(meaning, byte & 0x7F)
            table_of_phases = False
        elif byte & 0x7F == 0x7C:
            table_of_phases = True
        else:
            meaning = _combined(meaning, byte & 0x7F)
    return meaning, at, at


def _extensions(body: bytes, at: int, extended: int) -> Iterator[int]:
    while extended:
        byte = body[at]
        yield byte
        extended, at = byte & 0x80, at + 1


def _primary(code: int) -> Meaning:
    low = code & 7
    if code < 0x08:
        return Meaning("energy", "Wh", low - 3)
    if code < 0x10:
        return Meaning("energy", "Wh", low, 1 / 3600)  # joules
    if 0x28 <= code < 0x30:
        return Meaning("power", "W", low - 3)
    if 0x30 <= code < 0x38:
        return Meaning("power", "W", low, 1 / 3600)  # joules an hour
    known = {0x6E: "allocator units", 0x78: "fabrication number", 0x6C: "date", 0x6D: "date and time"}
    return Meaning(known.get(code, "other"))


def _first_extension(code: int) -> Meaning:
    if 0x40 <= code < 0x50:
        return Meaning("voltage", "V", code - 0x49)
    if 0x50 <= code < 0x60:
        return Meaning("current", "A", code - 0x5C)
    return Meaning(
        {0x17: "error flags", 0x3A: "dimensionless", 0x60: "reset counter", 0x61: "count"}.get(code, "other")
    )


def _second_extension(code: int) -> Meaning:
    if code < 0x02:
        return Meaning("energy", "Wh", 5 + code)  # 0.1 or 1 MWh
    if 0x28 <= code < 0x2A:
        return Meaning("power", "W", 5 + code - 0x28)
    if 0x2C <= code < 0x30:
        return Meaning("frequency", "Hz", code - 0x2F)
    return Meaning("other")  # reactive and apparent energy differ between editions: no unit, so the plan's counts


def _combined(meaning: Meaning, code: int) -> Meaning:
    if meaning.maker or code == 0x7F:
        return replace(meaning, maker=True)
    if code in NO_VALUE:
        return replace(meaning, invalid=True)
    if code == 0x3C:  # counts what flows backward only; 3B is the same for forward
        return replace(meaning, backward=True)
    if 0x70 <= code < 0x78:
        return replace(meaning, exponent=meaning.exponent + code - 0x76)
    if code == 0x7D:
        return replace(meaning, exponent=meaning.exponent + 3)
    if code in (0x00, 0x3B):  # no error; counts what flows forward
        return meaning
    return replace(meaning, maker=True)  # changes the meaning in a way not known here


def _phase(meaning: Meaning, code: int) -> Meaning:
    return replace(meaning, phase=code) if code in (1, 2, 3) and not meaning.maker else replace(meaning, maker=True)


def _value(body: bytes, at: int, field: int) -> tuple[int | float | None, str, int]:
    """(number or None, how it came, where the next record begins)."""
    if field in INTEGERS:
        data, end = _bytes(body, at, INTEGERS[field])
        value = int.from_bytes(data, "little", signed=True)
        lowest = -1 << 8 * len(data) - 1
        return None if value == lowest else value, data.hex(), end  # 80..00 says "invalid" (EN 13757-3, type B)
    if field == 5:
        data, end = _bytes(body, at, 4)
        (real,) = struct.unpack("<f", data)
        return real if math.isfinite(real) else None, data.hex(), end
    if field in DIGITS:
        data, end = _bytes(body, at, DIGITS[field])
        return _decimal(data), data.hex(), end
    if field == 0xD:
        data, end = _bytes(body, at, 1)
        return _variable(body, end, data[0])
    return None, "", at  # no data, or a selection


def _bytes(body: bytes, at: int, count: int) -> tuple[bytes, int]:
    if at + count > len(body):
        raise BadTelegram("record cut short")
    return body[at : at + count], at + count


def _decimal(data: bytes) -> int | None:
    """Binary coded decimals, lowest byte first; F as the highest digit is a minus sign, any other letter no number."""
    digits = data[::-1].hex()
    minus = digits[0] == "f"
    digits = digits[1:] if minus else digits
    if not digits.isdigit():
        return None
    return -int(digits) if minus else int(digits)


def _variable(body: bytes, at: int, length: int) -> tuple[int | float | None, str, int]:
    """Variable length: text, decimals with a sign, or binary (EN 13757-3, LVAR)."""
    if length < 0xC0:
        data, end = _bytes(body, at, length)
        return None, data[::-1].decode("latin-1"), end
    if length < 0xE0:
        data, end = _bytes(body, at, length & 0x0F)
        value = _decimal(data) if data else None
        return -value if value is not None and length >= 0xD0 else value, data.hex(), end
    data, end = _bytes(body, at, length & 0x0F)
    return int.from_bytes(data, "little", signed=True) if length < 0xF0 and data else None, data.hex(), end


def _scaled(value: int | float, meaning: Meaning) -> int | float:
    # negative powers divide, because 0.1 is no exact factor
    if meaning.exponent >= 0:
        scaled: int | float = value * 10**meaning.exponent
    else:
        scaled = value / 10**-meaning.exponent
    return scaled if meaning.factor == 1.0 else scaled * meaning.factor


def _obis(record: Record, meaning: Meaning) -> str:
    """The code of what the standard fixes: present values of the whole meter, by tariff or by phase."""
    if meaning.maker or record.function or record.storage or record.subunit:
        return ""
    if record.quantity == "energy" and not meaning.phase:
        return f"{2 if meaning.backward else 1}.8.{record.tariff}"
    if record.tariff or meaning.backward:
        return ""
    if record.quantity == "frequency":
        return "14.7.0"
    groups = {"power": (16, 36, 56, 76), "voltage": (0, 32, 52, 72), "current": (0, 31, 51, 71)}
    group = groups.get(record.quantity, (0,) * 4)[meaning.phase]
    return f"{group}.7.0" if group else ""
