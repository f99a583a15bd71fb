"""Fills in what a plan may leave out: the only board, the only source, `*` rows, `fields`, `{point}`."""

from collections.abc import Iterable
from typing import Any

from meterd.adapters.planfile.draft import Draft, only
from meterd.adapters.planfile.row import Row
from meterd.adapters.planfile.schema import ConsumerRow, Entry, InputRow, InstrumentRow, M, SourceRow
from meterd.core.model.plan import PointState
from meterd.core.model.reading import REGISTERS

DEFAULT_SOURCE = "broker"


def apply_defaults(draft: Draft) -> None:
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
    draft.inputs = [item for entry in _for_every_point(draft.inputs, draft) for item in _by_field(entry, source)]
    mqtt = only(entry for entry in draft.sources if entry.data.protocol == "mqtt")
    if draft.forecast is not None and draft.forecast.data.source is None and draft.forecast.sound("source"):
        draft.forecast = changed(draft.forecast, source=mqtt)
    draft.consumers = [_can_take_source(entry, mqtt) for entry in draft.consumers]


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


def _by_field(entry: Entry[InputRow], source: str | None) -> list[Entry[InputRow]]:
    """One entry per register of `fields`, or the entry itself, complete."""
    data = entry.data
    if not data.fields:
        return [changed(entry, **_completed(entry, data.register_, data.field, source))]
    return [
        changed(entry, register_=register, fields={}, **_completed(entry, register, field, source))
        for register, field in data.fields.items()
    ]


def _can_take_source(entry: Entry[ConsumerRow], source: str | None) -> Entry[ConsumerRow]:
    """What a consumer says comes from the only MQTT source unless it names one."""
    if not entry.data.can_take or entry.data.can_take_source is not None:
        return entry
    return changed(entry, can_take_source=source)


def _completed(entry: Entry[InputRow], register: str | None, field: str, source: str | None) -> dict[str, object]:
    data = entry.data
    values: dict[str, object] = {
        "address": data.address.replace("{point}", data.point),
        "field": field.replace("{point}", data.point),
    }
    if data.source is None and entry.sound("source"):
        values["source"] = source
    if data.unit is None and register is not None and entry.sound("unit"):
        values["unit"] = REGISTERS[register].unit
    return values
