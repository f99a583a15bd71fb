"""The tables of a plan: which columns each has and what may stand in them."""

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, fields
from fractions import Fraction
from typing import Any, Generic, Literal, TypeVar

from pydantic import BaseModel, ConfigDict, Field, ValidationError, create_model

from meterd.adapters.planfile import field_types as cells
from meterd.adapters.planfile.fault import Notes
from meterd.adapters.planfile.field_types import Count, CountFromOne, Name, NameOrAll, Positive, Text
from meterd.adapters.planfile.name_rules import instead, is_secret, suggestion
from meterd.adapters.planfile.page_fields import (
    ClaimRoles,
    HostNames,
    Issuer,
    OwnAddress,
    Proxies,
    Scopes,
    WallPages,
    WebPath,
)
from meterd.adapters.planfile.price_fields import DivisionWord, HoursOfWeek, Months, PriceKindWord, PriceOrTariff
from meterd.adapters.planfile.row import Row
from meterd.core.model.login import Login
from meterd.core.model.plan import Limits, LineStore, Notify, Page, PointState, Role, Sharing
from meterd.core.model.schedule import JOBS, Schedule
from meterd.core.model.tariff import CURRENCY


class Table(BaseModel):
    """A table of the plan: frozen, unknown keys refused."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, defer_build=True)


class SiteTable(Table):
    """[site]"""

    name: Name
    zone: Text
    title: Text = ""
    interval_s: CountFromOne = 900
    prefix: cells.Level = "energy"
    announce: OwnAddress = ""
    temperature: Text = ""
    tariff: Text = ""
    holidays: cells.LocalDays = frozenset()


class BrokerTable(Table):
    """[broker]: where the derived values go, and sources without a host of their own listen."""

    embedded: cells.YesOrNo = False
    host: Text = "localhost"
    port: CountFromOne = 1883
    client_id: Text = ""
    username: Text = ""
    password_env: Text = ""
    password_file: Text = ""
    tls: cells.YesOrNo = False
    ca_file: Text = ""
    cert_file: Text = ""
    key_file: Text = ""


class StoreTable(Table):
    """[store]"""

    path: Text = ""


class BoardRow(Table):
    """[[board]]"""

    name: Name
    title: Text = ""
    nominal_v: Positive = 400.0
    rating_kva: Positive | None = None
    fed_by: Name | None = None
    loss_p0_w: Positive | None = None
    loss_pk_w: Positive | None = None
    metered_side: Literal["own", "other"] = "own"


class SourceRow(Table):
    """[[source]]; every other key is an option of the protocol."""

    model_config = ConfigDict(extra="allow", frozen=True, strict=True, defer_build=True)

    name: Name
    protocol: Text = "mqtt"


class PointRow(Table):
    """points.csv, [[point]]"""

    point: Name
    board: Name | None = None
    role: cells.RoleWord = Role.FEEDER
    below: Name | None = None
    title: Text = ""
    place: Text = ""
    designation: Text = ""
    tenant: Text = ""
    state: cells.StateWord = PointState.LIVE
    rating_a: Positive | None = None
    aliases: cells.Names = ()
    unmetered_below: cells.YesOrNo = False
    unusual_percent: CountFromOne | None = None
    night_max_w: Positive | None = None
    peak_kwp: Positive | None = None


class InstrumentRow(Table):
    """instruments.csv, [[instrument]]"""

    point: NameOrAll
    from_: cells.Moment | None = Field(None, alias="from")
    until: cells.Moment | None = None
    serial: Text = ""
    type: Text = ""
    meter_class: cells.MeterClass | None = None
    ct_class: cells.CtClass | None = None
    ct_set: Name | None = None
    ct_ratio: cells.Ratio | None = None
    pulse_wh: cells.ExactPositive | None = None
    register_max_wh: cells.ExactPositive | None = None
    resolution_wh: cells.ExactCount = Fraction(0)
    opening_wh: cells.ShownRegisters = ()
    closing_wh: cells.ShownRegisters = ()
    gap_wh: cells.ShownRegisters = ()
    note: Text = ""


class InputRow(Table):
    """inputs.csv, [[input]]; `fields` (TOML only) stands for several rows with `register` and `field`."""

    point: NameOrAll
    register_: cells.Register | None = Field(None, alias="register")
    source: Name | None = None
    address: Text
    field: Text = ""
    fields: cells.Fields = Field(default_factory=dict)
    unit: cells.Unit | None = None
    scale: cells.Scale = (1.0, False)
    time_field: Text = ""


class ConsumerRow(Table):
    """consumers.csv, [[consumer]]"""

    consumer: Name
    point: Name | None = None
    priority: CountFromOne = 1
    min_w: Count = 0
    max_w: Count
    step_w: Count = 0
    min_on_s: Count = 0
    min_off_s: Count = 0
    fallback_w: Count = 0
    alone: cells.YesOrNo = True
    can_take: Text = ""
    can_take_source: Name | None = None


class AllocationRow(Table):
    """[[allocation]]"""

    name: Name
    title: Text = ""
    board: Name | None = None
    points: cells.Names = ()
    basis: cells.Basis = "use"
    use_percent: cells.Percent = 70
    per: cells.MonthOrYear = "month"
    areas: cells.Areas = ()
    weights: cells.Weights = ()
    tenants: cells.Texts = ()
    price: PriceOrTariff | None = None
    currency: Text = CURRENCY


class TariffRow(Table):
    """[[tariff]]: one line of the bill."""

    name: Text
    kind: PriceKindWord
    price: cells.Exact | None = None
    values: Text = ""
    currency: Text = CURRENCY
    per: cells.MonthOrYear = "month"
    months: Months = frozenset()
    times: HoursOfWeek = ()
    not_times: HoursOfWeek = ()
    from_: cells.Moment | None = Field(None, alias="from")
    until: cells.Moment | None = None
    above_kwh: cells.ExactCount = Fraction(0)
    up_to_kwh: cells.ExactPositive | None = None
    above_kw: cells.ExactCount = Fraction(0)
    least_share: cells.ExactCount = Fraction(0)
    least_months: CountFromOne = 11
    use_hours_from: cells.ExactCount = Fraction(0)
    use_hours_below: cells.ExactPositive | None = None
    divide: DivisionWord | None = None


class BaselineRow(Table):
    """[[baseline]]: before and after a measure."""

    point: Name
    from_: cells.Moment = Field(alias="from")
    until: cells.Moment
    reporting_from: cells.Moment | None = None
    reason: Text


class ForecastTable(Table):
    """[forecast]: one from outside."""

    source: Name | None = None
    topic: Text
    quantity: cells.OutsideWord
    field: Text
    time_field: Text = ""
    unit: Text = ""
    stamp: cells.Stamp = "start"


class RepeatRow(Table):
    """[[repeat]]"""

    pattern: Name
    count: CountFromOne | None = None
    width: CountFromOne | None = None
    numbers: Text = ""
    board: Name | None = None
    below: Name | None = None
    override: dict[str, Any] = Field(default_factory=dict)


# Limits that may be switched off with 0; of the others at least 1 is needed.
_MAY_BE_ZERO = (
    "gap_exact_s", "gap_estimate_s", "drift_pause_s", "close_after_s", "future_s", "dead_band_w", "meter_clock_s", "clock_band_s",
    "disk_free_mb", "keep_raw_days",
)  # fmt: skip


def _limits_table() -> type[Table]:
    """One key per limit of `site.Limits`, so that a new limit needs no second place."""
    keys: dict[str, Any] = {}
    for limit in fields(Limits):
        kind: Any = Count if limit.name in _MAY_BE_ZERO else CountFromOne
        if limit.type not in (int, int | None):
            kind = Positive
        keys[limit.name] = (kind | None if limit.default is None else kind, limit.default)
    return create_model("LimitsTable", __base__=Table, **keys)


LimitsTable = _limits_table()


def _sharing_table() -> type[Table]:
    """One key per setting of `site.Sharing`; times of a loop are at least 1, powers may be 0."""
    special: dict[str, Any] = {
        "mode": cells.SharingMode,
        "key": cells.SharingKey,
        "keys": cells.Weights,
        "overdraw_part": Positive,
        "sample_s": CountFromOne,
        "overdraw_samples": CountFromOne,
        "release_s": CountFromOne,
        "can_take_s": CountFromOne,
    }
    keys: dict[str, Any] = {field.name: (special.get(field.name, Count), field.default) for field in fields(Sharing)}
    return create_model("SharingTable", __base__=Table, **keys)


SharingTable = _sharing_table()


def _notify_table() -> type[Table]:
    """One key per setting of `site.Notify`."""
    special: dict[str, Any] = {
        "email_to": cells.Addresses,
        "email_from": cells.Address,
        "smtp_security": cells.Security,
        "webhook_url": cells.WebAddress,
        "webhook_header": cells.HeaderName,
        "wait_s": Count,
        "clear_s": Count,
        "gap_s": Count,
    }
    keys: dict[str, Any] = {
        field.name: (special.get(field.name, CountFromOne if isinstance(field.default, int) else Text), field.default)
        for field in fields(Notify)
    }
    return create_model("NotifyTable", __base__=Table, **keys)


NotifyTable = _notify_table()


def _line_store_table() -> type[Table]:
    """One key per setting of `site.LineStore`."""
    special: dict[str, Any] = {"url": cells.WebAddress, "read_back": cells.ReadBack}
    keys: dict[str, Any] = {
        field.name: (special.get(field.name, CountFromOne if isinstance(field.default, int) else Text), field.default)
        for field in fields(LineStore)
    }
    return create_model("LineStoreTable", __base__=Table, **keys)


LineStoreTable = _line_store_table()


def _page_table() -> type[Table]:
    """One key per setting of `site.Page`."""
    special: dict[str, Any] = {
        "port": cells.Port,
        "open": cells.YesOrNo,
        "rooms": cells.RoomRole,
        "language": cells.Language,
        "hosts": HostNames,
        "path": WebPath,
        "proxies": Proxies,
        "wall": WallPages,
        "wall_s": CountFromOne,
    }
    keys: dict[str, Any] = {field.name: (special.get(field.name, Text), field.default) for field in fields(Page)}
    return create_model("PageTable", __base__=Table, **keys)


PageTable = _page_table()


def _login_table() -> type[Table]:
    """One key per setting of `login.Login`."""
    special: dict[str, Any] = {
        "issuer": Issuer,
        "scopes": Scopes,
        "roles": ClaimRoles,
        "session_s": Count,
        "timeout_s": CountFromOne,
    }
    keys: dict[str, Any] = {field.name: (special.get(field.name, Text), field.default) for field in fields(Login)}
    return create_model("LoginTable", __base__=Table, **keys)


LoginTable = _login_table()


def _schedule_table() -> type[Table]:
    """One key per setting of `schedule.Schedule`."""
    special: dict[str, Any] = dict.fromkeys(JOBS, cells.ClockTime) | {
        "report_to": cells.Addresses,
        "archive_url": cells.FolderOrUrl,
    }
    keys: dict[str, Any] = {
        field.name: (special.get(field.name, Count if isinstance(field.default, int) else Text), field.default)
        for field in fields(Schedule)
    }
    return create_model("ScheduleTable", __base__=Table, **keys)


ScheduleTable = _schedule_table()

M = TypeVar("M", bound=Table)


@dataclass(frozen=True, slots=True)
class Entry(Generic[M]):
    """A checked row. `faulty` names the values that were noted and replaced by their default; rules pass over them."""

    data: M
    row: Row
    faulty: frozenset[str] = frozenset()

    def sound(self, *columns: str) -> bool:
        """Whether all these columns were read without fault."""
        return self.faulty.isdisjoint(columns)


def columns(model: type[Table]) -> tuple[str, ...]:
    """The columns of a table as written in the plan."""
    return tuple(info.alias or name for name, info in model.model_fields.items())


def csv_columns(model: type[Table]) -> tuple[str, ...]:
    """The columns of a table in a spreadsheet."""
    return tuple(column for column in columns(model) if column != "fields")


def check(model: type[M], row: Row, notes: Notes) -> Entry[M] | None:
    """Check a row against its table and note every fault. None if a value it cannot do without is not to be guessed."""
    try:
        return Entry(model.model_validate(row.values), row)
    except ValidationError as error:
        faulty = _faults(model, error, row, notes)
    rest = {key: value for key, value in row.values.items() if key not in faulty}
    rest.update(_stand_ins(model, row, faulty))
    try:
        return Entry(model.model_validate(rest), row, frozenset(faulty))
    except ValidationError:
        return None


# what a missing or faulty value is taken for, so that the rest of its row is checked as well
_STAND_INS: dict[str, object] = {"zone": "UTC", "address": "unread", "max_w": 10**12, "pattern": "unread"}


def _stand_ins(model: type[Table], row: Row, faulty: Iterable[str]) -> Iterator[tuple[str, object]]:
    for column in faulty:
        field = next((info for name, info in model.model_fields.items() if (info.alias or name) == column), None)
        if field is None or not field.is_required():
            continue
        written = row.values.get(column)
        if column in _STAND_INS:
            yield column, _STAND_INS[column]
        elif isinstance(written, str) and suggestion(written):
            yield column, suggestion(written)
        elif model is SiteTable:
            yield column, "unnamed"


def _faults(model: type[Table], error: ValidationError, row: Row, notes: Notes) -> set[str]:
    """Note every fault of a row; the columns that have one."""
    results: set[str] = set()
    for item in error.errors(include_url=False, include_input=False):
        column = str(item["loc"][0])
        results.add(column)
        if item["type"] == "extra_forbidden":
            _unknown(model, column, row, notes)
        elif item["type"] == "missing":
            notes.fault(row.at(column), f"{column} is missing", f"write the {column}")
        elif item["type"] == "plan":
            context = item["ctx"]
            notes.fault(row.at(column), f"{column}: {with_unit(column, context['what'])}", context["right"])
        else:
            notes.fault(
                row.at(column), f"{column}: {item['msg'].lower()}", "see the table of columns: meterd help plan"
            )
    return results


_UNIT_OF_KEY = {
    "s": "s", "ms": "ms", "h": "h", "days": "days", "w": "W", "wh": "Wh", "kva": "kVA", "v": "V", "a": "A", "mb": "MB",
    "percent": "%",
}  # fmt: skip
_BARE = re.compile(r"(?<![\w.,'=/-])(-?[0-9][0-9_.]*(?:e[+-]?[0-9]+)?)(?= is | or |$|;)")


def with_unit(column: str, text: str) -> str:
    """The words with the unit of a column behind its bare numbers.

    >>> with_unit("stale_after_s", "-5 is less than 1"), with_unit("count", "0 is less than 1")
    ('-5 s is less than 1 s', '0 is less than 1')
    """
    unit = _UNIT_OF_KEY.get(column.rpartition("_")[2]) if "_" in column else None
    return text if unit is None else _BARE.sub(rf"\1 {unit}", text)


def _unknown(model: type[Table], column: str, row: Row, notes: Notes) -> None:
    if not is_secret(column):  # `secrets` has said more about it
        notes.fault(row.at(column), f"unknown key {column[:60]!r}", instead(column, columns(model)))
