"""What may stand in one value of the plan. Every refusal says what is wrong and what would be right.

A value from a spreadsheet is a `Cell` and is read from its text; a value from TOML has a type already, and a wrong one
is refused (a number in quotes is not a number).
"""

import re
from collections.abc import Callable, Iterable
from datetime import date, datetime
from decimal import Decimal
from fractions import Fraction
from typing import Annotated, NoReturn, TypeVar

from pydantic import AfterValidator, PlainValidator
from pydantic_core import PydanticCustomError

from meterd.adapters.planfile.name_rules import NAME_RULE, instead, is_name, suggestion
from meterd.adapters.planfile.row import Cell
from meterd.core.model.forecast import OutsideQuantity
from meterd.core.model.plan import BASES, METHODS, PointState, Role
from meterd.core.model.reading import LARGEST_MILLI, REGISTERS, UNITS
from meterd.core.model.schedule import OFF
from meterd.core.model.schedule import clock_time as hour_and_minute

# Accuracy classes of meters: IEC 62053-21 (1, 2), IEC 62053-22 (0.1S, 0.2S, 0.5S, 0.5); A, B, C of EN 50470-3 (MID).
METER_CLASSES = ("0.1S", "0.2S", "0.5S", "0.5", "1", "2", "A", "B", "C")
# Accuracy classes of measuring current transformers: IEC 61869-2.
CT_CLASSES = ("0.1", "0.2", "0.2S", "0.5", "0.5S", "1", "3", "5")

LARGEST = Decimal(10) ** 15  # no number of a plan is larger; beyond it float and milli-units are not exact
FINEST = -12  # decimal places; finer is a slip of the keyboard
LONGEST_TEXT = 500

N = TypeVar("N", int, float, Fraction)

_NUMBER = re.compile(r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]{1,3})?\Z", re.ASCII)
_COMMA = re.compile(r"[+-]?[0-9.]*[0-9],[0-9]+\Z", re.ASCII)
_DATE = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}\Z", re.ASCII)
_TIME = re.compile(
    r"[0-9]{4}-[0-9]{2}-[0-9]{2}[Tt ][0-9]{2}:[0-9]{2}(?::[0-9]{2}(?:\.[0-9]{1,6})?)?(?:[Zz]|[+-][0-9]{2}:[0-9]{2})?\Z",
    re.ASCII,
)
EPOCH = date(1970, 1, 1)
_FIRST_YEAR, _LAST_YEAR = 1970, 2199


def refuse(what: str, right: str) -> NoReturn:
    """Refuse a value inside a pydantic validator."""
    raise PydanticCustomError("plan", "{what}; {right}", {"what": what, "right": right})


def shown(value: object) -> str:
    """A value for a message: short, on one line."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, Decimal) and not value.is_finite():
        return "a number that is not finite"
    if isinstance(value, int | Decimal):
        return _short(str(value)) if -LARGEST < value < LARGEST else "a number beyond 1e15"
    if isinstance(value, str):
        return _short(repr(str(value)))
    if isinstance(value, dict):
        return "a table"
    return f"a {type(value).__name__}"


def _short(text: str) -> str:
    return text if len(text) <= 60 else text[:57] + "..."


# --- texts ----------------------------------------------------------------------------------------------------------


def text(value: object) -> str:
    """One line of text."""
    if not isinstance(value, str):
        refuse(f"{shown(value)} is not a text", "write it in double quotes")
    if len(value) > LONGEST_TEXT:
        refuse(f"the text has {len(value)} characters", f"write at most {LONGEST_TEXT}")
    if not value.isprintable():
        refuse(f"{shown(value)} holds a line break or another control character", "write one line of text")
    return str(value)


def name(value: object) -> str:
    """A name of the plan."""
    written = text(value)
    if not is_name(written):
        near = suggestion(written)
        refuse(f"{shown(written)} is not a name", f"{NAME_RULE}" + (f", such as {near}" if near else ""))
    return written


def name_or_all(value: object) -> str:
    """A name of the plan, or `*` for every point without a row of its own."""
    return "*" if value == "*" else name(value)


def level(value: object) -> str:
    """One level of an MQTT topic, as the prefix of everything published."""
    written = text(value)
    if not written or re.search(r"[/+#\s]", written) or written.startswith("$"):
        refuse(f"{shown(written)} cannot be one level of a topic", "leave out / + # $ and spaces, such as energy")
    return written


def names(value: object) -> tuple[str, ...]:
    """Several names, separated by spaces or as a list."""
    if isinstance(value, list):
        return tuple(name(item) for item in value)
    return tuple(name(part) for part in text(value).split())


def one_of(known: Iterable[str], kind: str) -> Callable[[object], str]:
    """A reader for one word of a list."""
    lines = tuple(known)

    def read(value: object) -> str:
        written = text(value)
        if written not in lines:
            fixed = written.replace(",", ".").replace(" ", "").lower()
            match = next((word for word in lines if word.lower() == fixed), None)
            # a class such as 0.7 is near to 0.5 in spelling only, so short words are not guessed
            listed = instead(fixed, lines) if len(fixed) > 3 else f"known: {', '.join(lines)}"
            right = f"write {match}" if match else listed
            refuse(f"{kind} {shown(written)} is not known", right)
        return written

    return read


def register(value: object) -> str:
    """An OBIS code this program knows (value groups C.D.E of IEC 62056-6-1), also from its full form 1-0:1.8.0*255."""
    written = text(value)
    code = re.sub(r"^[0-9]{1,3}-[0-9]{1,3}:|\*[0-9]{1,3}$", "", written)
    if code not in REGISTERS:
        by_name = {kind.name: kind.obis for kind in REGISTERS.values()}
        right = f"write {by_name[code]}" if code in by_name else instead(code, REGISTERS)
        refuse(f"register {shown(written)} is not known", right)
    return code


def fields(value: object) -> dict[str, str]:
    """Register to field, as a table."""
    if not isinstance(value, dict):
        refuse(f"{shown(value)} is not a table", 'write fields = { "1.8.0" = "/import_wh" }')
    return {register(key): text(item) for key, item in value.items()}


def weights(value: object) -> tuple[tuple[str, int], ...]:
    """Name to weight, as a table; the order is that of the plan."""
    if not isinstance(value, dict):
        refuse(f"{shown(value)} is not a table", "write keys = { bakery = 50, hall = 30 }")
    results = tuple((text(key), whole(item)) for key, item in value.items())
    for key, weight in results:
        if weight < 0:
            refuse(f"the weight of {key} is below zero", "write 0 or more")
    return results


def areas(value: object) -> tuple[tuple[str, Fraction], ...]:
    """Name to floor area in m2, as a table."""
    if not isinstance(value, dict):
        refuse(f"{shown(value)} is not a table", "write areas = { Bakery = 320, Cafe = 85.5 }")
    results = tuple((text(key), exact(item)) for key, item in value.items())
    for key, area in results:
        if area <= 0:
            refuse(f"the area of {key} is not above zero", "write its floor area in m2, or leave it out")
    return results


def texts(value: object) -> tuple[str, ...]:
    """A list of texts."""
    if not isinstance(value, list):
        refuse(f"{shown(value)} is not a list", 'write it in brackets, such as ["Bakery", "Cold store"]')
    return tuple(text(item) for item in value)


_ADDRESS = re.compile(r"[A-Za-z0-9.!#$%&'*+/=?^_`{|}~-]+@[A-Za-z0-9](?:[A-Za-z0-9.-]*[A-Za-z0-9])?\Z", re.ASCII)
_WEB = re.compile(r"https?://[^/?#\s@]+(?:[/?][^\s#]*)?\Z")
_HEADER = re.compile(r"[A-Za-z0-9!#$%&'*+.^_`|~-]+\Z", re.ASCII)  # a token of RFC 9110


def address(value: object) -> str:
    """A mail address without display name; empty if there is none."""
    written = text(value)
    if written and not _ADDRESS.match(written):
        refuse(f"{shown(written)} is not a mail address", "write one such as duty@mill.example, without a name")
    return written


def addresses(value: object) -> tuple[str, ...]:
    """Several mail addresses, as a list or separated by spaces."""
    parts = value if isinstance(value, list) else text(value).split()
    return tuple(address(part) for part in parts)


def web_address(value: object) -> str:
    """An address to post to; empty if there is none."""
    written = text(value)
    if written and not (written.isascii() and _WEB.match(written)):
        right = "write https://host/path, without user and password; the secret goes into webhook_secret_file"
        refuse(f"{shown(written)} is not a web address", right)
    return written


def clock_time(value: object) -> str:
    """A local time of day, or `off`."""
    written = text(value)
    if written != OFF:
        try:
            hour_and_minute(written)
        except ValueError:
            refuse(f"{shown(written)} is not a time of day", 'write "01:30", or "off"')
    return written


def folder_or_url(value: object) -> str:
    """A folder, or an address with a scheme; its secrets stand elsewhere."""
    written = text(value)
    scheme, separator, rest = written.partition("://")
    if separator and "@" in rest.partition("/")[0]:  # not shown: a password may be in it
        right = "user and password go into archive_username and archive_password_file"
        refuse("the address of the archive has a user in it", f"write {scheme}://host/folder; {right}")
    if separator and (not scheme.isalnum() or not rest.strip("/")):
        right = (
            "write sftp://host/folder or a folder; user and password go into archive_username and archive_password_file"
        )
        refuse(f"{shown(written)} is no place for an archive", right)
    return written


def header_name(value: object) -> str:
    """The name of an HTTP header."""
    written = text(value)
    if not _HEADER.match(written):
        refuse(f"{shown(written)} is not the name of a header", "write one such as Authorization or X-Secret")
    return written


# --- numbers --------------------------------------------------------------------------------------------------------


def number(value: object) -> Decimal:
    """A finite decimal number, exactly as written."""
    if isinstance(value, Cell):
        value = _from_cell(value)
    if isinstance(value, bool) or not isinstance(value, int | Decimal):
        right = _number_inside(value) if isinstance(value, str) else "write a number such as 12.5"
        refuse(f"{shown(value)} is not a number", right)
    exact = value if isinstance(value, Decimal) else _decimal(value)
    if not exact.is_finite():
        refuse("the number is not finite", "write a number such as 12.5")
    exponent = exact.as_tuple().exponent
    assert isinstance(exponent, int), "a finite number has an exponent"
    if exact.adjusted() > LARGEST.adjusted() or abs(exact) > LARGEST:
        refuse("the number is larger than 1e15", "write it in the unit of the column")
    if exponent < FINEST:
        refuse(f"{shown(exact)} has more than {-FINEST} decimal places", "round it")
    return exact


def _decimal(value: int) -> Decimal:
    return Decimal(value) if abs(value) <= 10**16 else Decimal("1e17")


_WITH_UNIT = re.compile(r"([+-]?[0-9]+(?:[.][0-9]+)?) ?[A-Za-z%]+$")


def _number_inside(text: str) -> str:
    """What a text in quotes should be instead."""
    known = _WITH_UNIT.match(text.strip())
    return f"write {known[1]}, without quotes and unit" if known else "write it without quotes"


def _from_cell(cell: str) -> Decimal:
    written = str(cell)
    if _COMMA.match(written):
        right = f"write {written.replace('.', '').replace(',', '.')}, with a decimal point"
        refuse(f"{shown(written)} has a decimal comma", right)
    if not _NUMBER.match(written):
        known = _WITH_UNIT.match(written)
        right = f"write {known[1]} without a unit" if known else "write digits with a decimal point, such as 12.5"
        refuse(f"{shown(written)} is not a number", right)
    return Decimal(written)


def whole(value: object) -> int:
    """A whole number."""
    exact = number(value)
    if exact != exact.to_integral_value():
        refuse(f"{shown(exact)} is not a whole number", f"write {exact.to_integral_value()}")
    return int(exact)


def real(value: object) -> float:
    """A number where float is exact enough: ratings, ratios."""
    return float(number(value))


def exact(value: object) -> Fraction:
    """A number kept exactly: pulse weights and registers."""
    return Fraction(number(value))


def yes_or_no(value: object) -> bool:
    """true or false of TOML; a spreadsheet writes them in capitals as it likes."""
    if isinstance(value, Cell) and value.strip().lower() in ("true", "false"):
        return value.strip().lower() == "true"
    if not isinstance(value, bool):
        refuse(f"{shown(value)} is neither true nor false", "write true or false without quotes")
    return value


def at_least(low: int) -> Callable[[N], N]:
    """A check for the smallest allowed number."""

    def check(value: N) -> N:
        if value < low:
            refuse(f"{float(value):g} is less than {low}", f"write {low} or more")
        return value

    return check


def at_most(high: int) -> Callable[[N], N]:
    """A check for the largest allowed number."""

    def check(value: N) -> N:
        if value > high:
            refuse(f"{float(value):g} is more than {high}", f"write {high} or less")
        return value

    return check


def positive(value: N) -> N:
    """A check for numbers that must be above zero."""
    if value <= 0:
        refuse(f"{float(value):g} is not above zero", "write a number above zero, or leave it empty if unknown")
    return value


# --- metering -------------------------------------------------------------------------------------------------------


def moment(value: object) -> date | datetime:
    """A date (local midnight of the site) or a time with its zone."""
    if isinstance(value, str):
        value = _from_text(str(value))
    if isinstance(value, datetime):
        if value.utcoffset() is None:
            plain = value.isoformat(timespec="minutes")
            refuse(f"time {plain} has no zone", f"write {plain}+01:00 or {plain}Z, or the date alone")
    elif not isinstance(value, date):
        refuse(f"{shown(value)} is not a date", "write 2026-05-04 or 2026-05-04T09:30+02:00")
    if not _FIRST_YEAR <= value.year <= _LAST_YEAR:
        refuse(f"the year {value.year} cannot be", f"write a year from {_FIRST_YEAR} to {_LAST_YEAR}")
    return value


def local_days(value: object) -> frozenset[int]:
    """A list of dates, as local days counted from 1970-01-01."""
    if not isinstance(value, list):
        refuse(f"{shown(value)} is not a list", 'write it in brackets, such as ["2026-05-01", "2026-12-25"]')
    days = [moment(item) for item in value]
    for day in days:
        if isinstance(day, datetime):
            refuse(f"{day.isoformat(timespec='minutes')} is a time", "write the date alone")
    return frozenset((day - EPOCH).days for day in days)


def _from_text(written: str) -> date | datetime:
    right = "write 2026-05-04 (midnight of the site) or 2026-05-04T09:30+02:00"
    try:
        if _DATE.match(written):
            return date.fromisoformat(written)
        if _TIME.match(written):
            return datetime.fromisoformat(written.upper())
    except ValueError as error:
        refuse(f"{shown(written)} is not a date: {error}", right)
    refuse(f"{shown(written)} is not a date", right)


def ratio(value: object) -> tuple[float, float]:
    """Rated primary and secondary current of a current transformer, such as 250/5."""
    parts = text(value).split("/")
    right = "write rated primary and secondary current in A, such as 250/5"
    if len(parts) != 2:
        refuse(f"{shown(value)} is not a ratio", right)
    primary, secondary = (number(Cell(part.strip().removesuffix("A").strip())) for part in parts)
    if not 0 < secondary <= primary:
        refuse(f"{shown(value)} is not the ratio of a current transformer", right)
    return float(primary), float(secondary)


def shown_registers(value: object) -> tuple[tuple[str, int], ...]:
    """What registers showed, as (OBIS code, milli-units): `123.4` for 1.8.0, or `1.8.0=123.4 2.8.0=0`."""
    if not isinstance(value, str):
        return (("1.8.0", _milli(value)),)
    results: dict[str, int] = {}
    for part in str(value).split():
        code, sign, figure = part.rpartition("=")
        obis = register(code) if sign else "1.8.0"
        if not REGISTERS[obis].cumulative:
            refuse(f"register {obis} does not count", "write 1.8.0 (import) or 2.8.0 (export)")
        if obis in results:
            refuse(f"register {obis} appears twice", "write 1.8.0=123 2.8.0=4")
        results[obis] = _milli(Cell(figure))
    return tuple(results.items())


def _milli(value: object) -> int:
    figure = number(value) * 1000
    if figure != figure.to_integral_value() or not 0 <= figure <= LARGEST_MILLI:
        refuse(f"a register cannot show {shown(value)}", "write 0 or more, with at most three decimal places")
    return int(figure)


def scale(value: object) -> tuple[float, bool]:
    """Factor to the unit, and whether the current-transformer ratio applies: `0.001`, `ct` or `ct*0.001`."""
    per_ct = False
    if isinstance(value, str):
        head, star, tail = str(value).replace(" ", "").partition("*")
        per_ct = head == "ct"
        if per_ct and not star:
            return 1.0, True
        if per_ct:
            value = Cell(tail)
        elif not isinstance(value, Cell):
            refuse(f"scale {shown(value)} is not known", "write a number without quotes, ct or ct*0.001")
    factor = float(number(value))
    if factor == 0:
        refuse("scale 0 would make every value zero", "write 1 or leave it empty")
    return factor, per_ct


Text = Annotated[str, PlainValidator(text)]
Name = Annotated[str, PlainValidator(name)]
NameOrAll = Annotated[str, PlainValidator(name_or_all)]
Level = Annotated[str, PlainValidator(level)]
Names = Annotated[tuple[str, ...], PlainValidator(names)]
Address = Annotated[str, PlainValidator(address)]
Addresses = Annotated[tuple[str, ...], PlainValidator(addresses)]
Security = Annotated[str, PlainValidator(one_of(("starttls", "tls", "none"), "security"))]
WebAddress = Annotated[str, PlainValidator(web_address)]
ClockTime = Annotated[str, PlainValidator(clock_time)]
FolderOrUrl = Annotated[str, PlainValidator(folder_or_url)]
HeaderName = Annotated[str, PlainValidator(header_name)]
Port = Annotated[int, PlainValidator(whole), AfterValidator(at_least(0)), AfterValidator(at_most(65535))]
RoomRole = Annotated[str, PlainValidator(one_of(("open", "look", "acknowledge", "change"), "rooms"))]
Language = Annotated[str, PlainValidator(one_of(("en", "de"), "language"))]
ReadBack = Annotated[str, PlainValidator(one_of(("query", "export", "off"), "read_back"))]
Register = Annotated[str, PlainValidator(register)]
Fields = Annotated[dict[str, str], PlainValidator(fields)]
Weights = Annotated[tuple[tuple[str, int], ...], PlainValidator(weights)]
Areas = Annotated[tuple[tuple[str, Fraction], ...], PlainValidator(areas)]
Texts = Annotated[tuple[str, ...], PlainValidator(texts)]
Basis = Annotated[str, PlainValidator(one_of(BASES, "basis"))]
MonthOrYear = Annotated[str, PlainValidator(one_of(("month", "year"), "per"))]
SharingMode = Annotated[str, PlainValidator(one_of(("off", "shadow", "on"), "mode"))]
SharingKey = Annotated[str, PlainValidator(one_of(METHODS, "key"))]
Unit = Annotated[str, PlainValidator(one_of(UNITS, "unit"))]
RoleWord = Annotated[Role, PlainValidator(one_of(Role, "role")), AfterValidator(Role)]
StateWord = Annotated[PointState, PlainValidator(one_of(PointState, "state")), AfterValidator(PointState)]
MeterClass = Annotated[str, PlainValidator(one_of(METER_CLASSES, "meter class"))]
CtClass = Annotated[str, PlainValidator(one_of(CT_CLASSES, "current-transformer class"))]
OutsideWord = Annotated[
    OutsideQuantity, PlainValidator(one_of(OutsideQuantity, "quantity")), AfterValidator(OutsideQuantity)
]
Stamp = Annotated[str, PlainValidator(one_of(("start", "end"), "stamp"))]
YesOrNo = Annotated[bool, PlainValidator(yes_or_no)]
Count = Annotated[int, PlainValidator(whole), AfterValidator(at_least(0))]
Percent = Annotated[int, PlainValidator(whole), AfterValidator(at_least(0)), AfterValidator(at_most(100))]
CountFromOne = Annotated[int, PlainValidator(whole), AfterValidator(at_least(1))]
Positive = Annotated[float, PlainValidator(real), AfterValidator(positive)]
Exact = Annotated[Fraction, PlainValidator(exact)]
ExactPositive = Annotated[Fraction, PlainValidator(exact), AfterValidator(positive)]
ExactCount = Annotated[Fraction, PlainValidator(exact), AfterValidator(at_least(0))]
LocalDays = Annotated[frozenset[int], PlainValidator(local_days)]
Moment = Annotated[date | datetime, PlainValidator(moment)]
Ratio = Annotated[tuple[float, float], PlainValidator(ratio)]
ShownRegisters = Annotated[tuple[tuple[str, int], ...], PlainValidator(shown_registers)]
Scale = Annotated[tuple[float, bool], PlainValidator(scale)]
