"""Page "change-meter": the guided record of an exchange. It checks what was noted and says what to enter where.

The plan is written by people, not by the page (DEVELOPERS.md, "Where the design was changed"): what comes out is the line of
the command, and the rows for whoever keeps the plan in a spreadsheet.
"""

import csv
import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Annotated, Literal

from fastapi import Depends, Query
from pydantic import Field
from starlette.exceptions import HTTPException

from meterd.adapters.texts import wording
from meterd.adapters.web.backend import Viewer
from meterd.adapters.web.common import PageValues, Values, basis, snapshot_of
from meterd.adapters.web.corrections.correction_page import PointChoice, choices
from meterd.adapters.web.corrections.exchange_fields import ExchangeContext, ExchangeFields, entry_of
from meterd.adapters.web.corrections.fields import MANY, Fault, Form, counted_at
from meterd.adapters.web.pages.point import named
from meterd.adapters.web.request_context import RequestContext, context_of, viewer_of
from meterd.core.model.finding import LONGEST_NOTE
from meterd.core.model.reading import REGISTERS
from meterd.core.model.snapshot import Snapshot
from meterd.core.registers.meter_exchange import ExchangeRecord, Fitted, Inconsistency

DATA = ("meter_class", "ct_class", "ct_set", "ct_ratio", "pulse_wh", "register_max_wh", "resolution_wh")
Some = Annotated[str, Query(max_length=MANY)]
Several = Annotated[tuple[Annotated[str, Query(max_length=MANY)], ...], Query(max_length=10)]


class RegisterRow(Values):
    """A register of the point with its newest reading as the meter shows it, in thousandths of `unit`."""

    register_: str = Field(alias="register")
    unit: str
    last_ms: int | None
    last_milli: int | None


class FittedLine(Values):
    """The instrument that is there now."""

    serial: str
    from_ms: int
    data: dict[str, str]


class InconsistencyRow(Values):
    """Something in the readings that speaks against the exchange: a word for programs, and a sentence."""

    register_: str = Field(alias="register")
    doubt: str
    text: str


class RecordLine(Values):
    """The exchange as it is to be entered: by the command, or as rows of instruments.csv (`old` closed, `new` added)."""

    command: str
    columns: str
    old: str
    new: str
    gap_mwh: dict[str, int]


class ChangeMeterView(PageValues):
    """The form for one point as it was written, what is wrong in it, and the record once all of it can be.

    Without doubts the readings telescope across the exchange.
    """

    points: list[PointChoice]
    point: str
    fitted: FittedLine | None
    registers: list[RegisterRow]
    written: dict[str, str]
    faults: list[Fault]
    doubts: list[InconsistencyRow]
    record: RecordLine | None
    data_fields: tuple[str, ...] = DATA
    longest_note: int = LONGEST_NOTE


@dataclass(frozen=True, slots=True)
class ExchangeQuery:
    """The point, and what was noted. `closing`, `opening` and `gap` once for each register, in their order."""

    point: Some = ""
    out: Some = ""
    into: Some = ""
    closing: Several = ()
    opening: Several = ()
    gap: Several = ()
    serial: Some = ""
    note: Some = ""
    check: Literal["", "yes"] = ""
    meter_class: Some | None = None
    ct_class: Some | None = None
    ct_set: Some | None = None
    ct_ratio: Some | None = None
    pulse_wh: Some | None = None
    register_max_wh: Some | None = None
    resolution_wh: Some | None = None

    def noted(self, fitted: Fitted) -> ExchangeFields:
        """The fields; data of the new meter that were not sent are those of the old one."""
        new = {name: fitted.cells.get(name, "") if (v := getattr(self, name)) is None else v for name in DATA}
        return ExchangeFields(
            self.out,
            self.into,
            self.closing,
            opening=self.opening,
            gap=self.gap,
            serial=self.serial,
            note=self.note,
            new=new,
        )


def view(
    context: Annotated[RequestContext, Depends(context_of)],
    viewer: Annotated[Viewer, Depends(viewer_of)],
    snapshot: Annotated[Snapshot, Depends(snapshot_of)],
    query: Annotated[ExchangeQuery, Depends()],
) -> ChangeMeterView:
    """What to note at an exchange, and once it is noted, whether the readings agree and how it is entered."""
    site, form = context.backend.site, Form(viewer.language, "change-meter")
    view = ChangeMeterView(
        basis=basis(context.backend, snapshot),
        points=choices(site),
        point="",
        fitted=None,
        registers=[],
        written={},
        faults=[],
        doubts=[],
        record=None,
    )
    if not query.point:
        return view
    point = named(site, query.point)
    registers = [] if point is None else counted_at(point.name, site)
    if point is None or not registers:
        raise HTTPException(404, wording.say(viewer.language, "change-meter.no_point", point=query.point[:60]))
    fitted = context.backend.fitted(point.name)
    if fitted is None:
        raise HTTPException(404, wording.say(viewer.language, "change-meter.none_fitted", point=point.name))
    fields = query.noted(fitted)
    about = ExchangeContext(point.name, registers, fitted, viewer.name, snapshot.now_ms)
    record = _record(context, fields, about, form) if query.check else None
    return view.model_copy(
        update={
            "point": point.name,
            "fitted": FittedLine(serial=fitted.serial, from_ms=fitted.from_ms, data=dict(fitted.cells)),
            "registers": _registers(context, point.name, registers),
            "written": _written(fields),
            "faults": form.faults,
            "doubts": []
            if record is None
            else [_inconsistency_row(inconsistency, viewer.language) for inconsistency in record.inconsistencies],
            "record": None if record is None else _line(record),
        }
    )


def _record(
    context: RequestContext, fields: ExchangeFields, about: ExchangeContext, form: Form
) -> ExchangeRecord | None:
    """The record, or None with what is wrong in the form."""
    texts = entry_of(fields, about, context.zone(), form)
    if texts is None:
        return None
    record = context.backend.exchange(*texts)
    for column in record.faulty:
        form.wrong(column, f"of_{column}" if column in DATA else "of_another")
    if record.no_estimate:
        form.wrong("gap-0", "no_estimate")
    return None if form.faults else record


def _registers(context: RequestContext, point: str, registers: Sequence[str]) -> list[RegisterRow]:
    with context.backend.reader() as reads:
        newest = {code: reads.latest((point, code)) for code in registers}
    return [
        RegisterRow(
            register=REGISTERS[code].name,
            unit=REGISTERS[code].unit,
            last_ms=None if results is None else results[0],
            last_milli=None if results is None else round(results[1]),
        )
        for code, results in newest.items()
    ]


def _written(fields: ExchangeFields) -> dict[str, str]:
    """Every field by its name in the form; those of registers are numbered."""
    results = {"out": fields.out, "into": fields.into, "serial": fields.serial, "note": fields.note, **fields.new}
    for name, several in (("closing", fields.closing), ("opening", fields.opening), ("gap", fields.gap)):
        results |= {f"{name}-{i}": text for i, text in enumerate(several)}
    return results


def _inconsistency_row(inconsistency: Inconsistency, language: str) -> InconsistencyRow:
    unit = next(kind.unit for kind in REGISTERS.values() if kind.name == inconsistency.register)
    shown = {
        key: f"{wording.number(language, float(value) / 1000, 3)} k{unit}"
        for key, value in inconsistency.values.items()
    }
    message = wording.say(language, f"change-meter.doubt_{inconsistency.kind.replace('-', '_')}", **shown)
    name = wording.say(language, f"change.word_{inconsistency.register}")
    return InconsistencyRow(register=inconsistency.register, doubt=inconsistency.kind, text=f"{name}: {message}")


def _line(record: ExchangeRecord) -> RecordLine:
    return RecordLine(
        command=record.command,
        columns=_row(record.columns, {name: name for name in record.columns}),
        old=_row(record.columns, record.old),
        new=_row(record.columns, record.new),
        gap_mwh={REGISTERS[code].name: energy for code, energy in record.gap_mwh.items()},
    )


def _row(columns: Sequence[str], cells: Mapping[str, str]) -> str:
    """A line of a CSV file, quoted where it has to be."""
    text = io.StringIO()
    csv.writer(text, lineterminator="").writerow([cells.get(name, "") for name in columns])
    return text.getvalue()
