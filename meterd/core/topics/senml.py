"""SenML in JSON (RFC 8428): a pack as resolved records, with the rules of the standard that a reader must enforce."""

import json
import math
import re
from dataclasses import dataclass, replace

# Times below 2^28 are relative to now (RFC 8428, 4.5.3).
RELATIVE_S = 2**28
# a smaller time is read as seconds from now (RFC 8428, 4.5.3), so a clock that was never set cannot be published
EARLIEST_MS = RELATIVE_S * 1000

# 10 is RFC 8428; 26 = 10 + 2^4 adds the secondary units (RFC 9100). Smaller is allowed, other features are not known.
LARGEST_VERSION = 26
BASE_VERSION = 10

NAME = re.compile(r"[A-Za-z0-9][-A-Za-z0-9:./_]*")
NUMBERS = ("bt", "bv", "bs", "bver", "t", "v", "s", "ut")
STRINGS = ("bn", "bu", "n", "u", "vs", "vd")


@dataclass(frozen=True, slots=True)
class Record:
    """One resolved record. `at_s` below `RELATIVE_S` is relative to now; exactly one value or a sum is present."""

    name: str
    unit: str
    at_s: float
    value: float | None = None
    text: str | None = None
    flag: bool | None = None
    data: str | None = None
    sum: float | None = None
    update_s: float | None = None


@dataclass(frozen=True, slots=True)
class _Base:
    name: str = ""
    unit: str = ""
    at_s: float = 0.0
    value: float | None = None
    sum: float | None = None
    version: int = BASE_VERSION


def resolve(payload: bytes, understood: int = LARGEST_VERSION) -> list[Record]:
    """The records of a pack in order of time; ValueError with the reason for what RFC 8428 forbids.

    `understood` is the largest version of the reader: 10 is RFC 8428 alone, 26 knows the secondary units.

    >>> resolve(b'[{"bn":"m1:","bt":1767225600,"n":"p","u":"W","v":5}]')[0].name
    'm1:p'
    """
    rows = json.loads(payload, parse_constant=_refuse)
    if not isinstance(rows, list) or not rows:
        raise ValueError("a pack is an array of at least one record")
    base = _Base()
    records: list[Record] = []
    for row in rows:
        if not isinstance(row, dict):
            raise ValueError("a record is an object")
        _check_fields(row)
        base = _with_base(base, row, (base.version, base.version) if records else (1, understood))
        if not row.keys() <= {"bn", "bt", "bu", "bv", "bs", "bver"} or "bv" in row:
            records.append(_record(base, row))
    return sorted(records, key=lambda record: record.at_s)


def _refuse(constant: str) -> float:
    raise ValueError(f"{constant} is no JSON number")


def _check_fields(row: dict[str, object]) -> None:
    for label, value in row.items():
        if label in NUMBERS:
            if isinstance(value, bool) or not isinstance(value, (int, float)) or not math.isfinite(value):
                raise ValueError(f"{label} must be a number")
        elif label in STRINGS:
            if not isinstance(value, str):
                raise ValueError(f"{label} must be a string")
        elif label == "vb":
            if not isinstance(value, bool):
                raise ValueError("vb must be true or false")
        elif label.endswith("_"):
            raise ValueError(f"field {label} must be understood and is not known")


def _with_base(base: _Base, row: dict[str, object], versions: tuple[int, int]) -> _Base:
    version = int(_number(row, "bver", base.version) or 0)
    if not versions[0] <= version <= versions[1]:
        raise ValueError(f"version {version} is not known here or differs within the pack")
    return replace(
        base,
        name=str(row.get("bn", base.name)),
        unit=str(row.get("bu", base.unit)),
        at_s=_number(row, "bt", base.at_s) or 0.0,
        value=_number(row, "bv", base.value),
        sum=_number(row, "bs", base.sum),
        version=version,
    )


def _number(row: dict[str, object], label: str, otherwise: float | None) -> float | None:
    value = row.get(label, otherwise)
    assert value is None or isinstance(value, (int, float)), "checked by _check_fields"
    return value


def _record(base: _Base, row: dict[str, object]) -> Record:
    name = base.name + str(row.get("n", ""))
    if not NAME.fullmatch(name):
        raise ValueError(f"illegal name {name!r}")
    unit = str(row.get("u", base.unit))
    values = [label for label in ("v", "vs", "vb", "vd") if label in row]
    value = _number(row, "v", None)
    if base.value is not None and (value is not None or not values):
        value = base.value + (value or 0.0)
    total = _number(row, "s", None)
    if base.sum is not None:
        total = base.sum + (total or 0.0)
    if len(values) > 1 or (not values and value is None and total is None):
        raise ValueError(f"record {name} must have exactly one value, or a sum")
    at_s = base.at_s + (_number(row, "t", None) or 0.0)
    text, data = row.get("vs"), row.get("vd")
    flag = row.get("vb")
    return Record(
        name,
        unit,
        at_s,
        value=value,
        text=None if text is None else str(text),
        flag=None if flag is None else bool(flag),
        data=None if data is None else str(data),
        sum=total,
        update_s=_number(row, "ut", None),
    )
