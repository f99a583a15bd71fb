"""Fills in what a plan may leave out: the only board, the only source, `*` rows, `fields`, `{point}`."""

from collections.abc import Iterable
from typing import Any

from meterd.app.plan.draft import Draft, only
from meterd.app.plan.rows import Entry, InputRow, InstrumentRow, M, SourceRow
from meterd.app.plan.table import Row
from meterd.reading import REGISTERS
from meterd.site import PointState

DEFAULT_SOURCE = "broker"


def settle(draft: Draft) -> None:
    """Fill the gaps of a draft in place."""
    if not draft.sources:
        place = draft.broker.row.place if draft.broker else draft.site.row.place if draft.site else None
        if place is not None:
            draft.sources.append(Entry(SourceRow(name=DEFAULT_SOURCE), Row({}, place)))
    board, source = only(draft.boards), only(draft.sources)
    if board is not None:
        draft.points = [
            entry if entry.data.board or not entry.sound("board") else changed(entry, board=board)
            for entry in draft.points
        ]
    draft.instruments = _for_every_point(draft.instruments, draft)
    inputs = [one for entry in _for_every_point(draft.inputs, draft) for one in _by_field(entry)]
    draft.inputs = [_complete(entry, source) for entry in inputs]


def changed(entry: Entry[M], **values: Any) -> Entry[M]:
    """The entry with some values replaced."""
    return Entry(entry.data.model_copy(update=values), entry.row, entry.faulty)


def _for_every_point(entries: Iterable[Entry[M]], draft: Draft) -> list[Entry[M]]:
    """Rows of point `*` once per point that has no row of its own and is neither planned nor retired."""
    rows = list(entries)
    named = {_point(entry) for entry in rows}
    open_points = [
        entry.data.point
        for entry in draft.points
        if entry.data.point not in named and entry.data.state not in (PointState.PLANNED, PointState.RETIRED)
    ]
    own = [entry for entry in rows if _point(entry) != "*"]
    general = [entry for entry in rows if _point(entry) == "*"]
    return own + [changed(entry, point=point) for point in open_points for entry in general]


def _point(entry: Entry[M]) -> str:
    data = entry.data
    assert isinstance(data, InputRow | InstrumentRow), "only these two have rows for every point"
    return data.point


def _by_field(entry: Entry[InputRow]) -> list[Entry[InputRow]]:
    """One entry per register of `fields`, or the entry itself."""
    if not entry.data.fields:
        return [entry]
    return [changed(entry, register_=register, field=field, fields={}) for register, field in entry.data.fields.items()]


def _complete(entry: Entry[InputRow], source: str | None) -> Entry[InputRow]:
    data = entry.data
    values: dict[str, object] = {
        "address": data.address.replace("{point}", data.point),
        "field": data.field.replace("{point}", data.point),
    }
    if data.source is None and entry.sound("source"):
        values["source"] = source
    if data.unit is None and data.register_ is not None and entry.sound("unit"):
        values["unit"] = REGISTERS[data.register_].unit
    return changed(entry, **values)
