"""A sound draft as the frozen `Site`."""

import hashlib
from collections.abc import Iterable
from dataclasses import fields, replace
from decimal import Decimal
from fractions import Fraction
from zoneinfo import ZoneInfo

from meterd.adapters.planfile.draft import Draft
from meterd.adapters.planfile.price_fields import BY_TARIFF
from meterd.adapters.planfile.schema import (
    AllocationRow,
    BaselineRow,
    Entry,
    InputRow,
    InstrumentRow,
    PointRow,
    SourceRow,
    TariffRow,
)
from meterd.adapters.planfile.times import moment_ms
from meterd.core.model.forecast import OUTSIDE_UNITS, ForecastInput
from meterd.core.model.login import Login
from meterd.core.model.plan import (
    Allocation,
    BaselinePeriod,
    Board,
    Broker,
    Consumer,
    Copied,
    Input,
    Instrument,
    Limits,
    LineStore,
    Notify,
    Page,
    Point,
    Sharing,
    Site,
    Source,
)
from meterd.core.model.schedule import Schedule
from meterd.core.model.tariff import Price


def build(draft: Draft) -> Site:
    """The site of a draft without faults."""
    assert draft.site is not None, "a plan without [site] has been refused"
    assert draft.zone is not None, "a plan without a known zone has been refused"
    site = draft.site.data
    return Site(
        name=site.name,
        zone=site.zone,
        title=site.title,
        interval_s=site.interval_s,
        prefix=site.prefix,
        announce=site.announce,
        boards=tuple(Board(**entry.data.model_dump()) for entry in draft.boards),
        points=tuple(_point(entry.data) for entry in draft.points),
        instruments=tuple(instrument_of(entry.data, draft.zone) for entry in draft.instruments),
        inputs=tuple(_input(entry) for entry in draft.inputs),
        sources=tuple(_source(entry.data) for entry in draft.sources),
        consumers=tuple(
            Consumer(
                entry.data.consumer,
                **entry.data.model_dump(exclude={"consumer", "can_take_source"}),
                can_take_source=entry.data.can_take_source or "",
            )
            for entry in draft.consumers
        ),
        broker=Broker(**draft.broker.data.model_dump()) if draft.broker else Broker(),
        limits=Limits(**draft.limits.data.model_dump()) if draft.limits else Limits(),
        sharing=Sharing(**draft.sharing.data.model_dump()) if draft.sharing else Sharing(),
        notify=Notify(**draft.notify.data.model_dump()) if draft.notify else Notify(),
        line_store=LineStore(**draft.line_store.data.model_dump()) if draft.line_store else LineStore(),
        page=Page(**draft.page.data.model_dump()) if draft.page else Page(),
        login=Login(**draft.login.data.model_dump()) if draft.login else Login(),
        schedule=Schedule(**draft.schedule.data.model_dump()) if draft.schedule else Schedule(),
        copied=tuple(Copied(made.pattern, *item) for made in draft.copies for item in made.points),
        allocations=tuple(_allocation(entry.data, draft) for entry in draft.allocations),
        tariff=prices_of(draft),
        baselines=tuple(_baseline(entry.data, draft.zone) for entry in draft.baselines),
        outdoor_c=draft.outdoor,
        holidays=site.holidays,
        files=tuple(draft.files),
        forecast=_forecast(draft),
        store_path=draft.store.data.path if draft.store else "",
    )


def _point(data: PointRow) -> Point:
    assert data.board is not None, "a point without board has been refused"
    values = data.model_dump(exclude={"point", "board"})
    return Point(data.point, data.board, **values)


def instrument_of(data: InstrumentRow, zone: ZoneInfo) -> Instrument:
    """The instrument of a checked row."""
    primary, secondary = data.ct_ratio or (None, None)
    return Instrument(
        point=data.point,
        from_ms=0 if data.from_ is None else moment_ms(data.from_, zone),
        until_ms=None if data.until is None else moment_ms(data.until, zone),
        serial=data.serial,
        type=data.type,
        meter_class=data.meter_class,
        ct_class=data.ct_class,
        ct_set=data.ct_set,
        ct_primary_a=primary,
        ct_secondary_a=secondary,
        pulse_wh=data.pulse_wh,
        register_max_wh=data.register_max_wh,
        resolution_wh=data.resolution_wh,
        opening=data.opening_wh,
        closing=data.closing_wh,
        gap=data.gap_wh,
        note=data.note,
    )


def _input(entry: Entry[InputRow]) -> Input:
    data = entry.data
    assert data.register_ is not None, "an input without register has been refused"
    assert data.source is not None, "an input without source has been refused"
    assert data.unit is not None, "the unit follows from the register"
    factor, per_ct = data.scale
    return Input(
        point=data.point,
        register=data.register_,
        source=data.source,
        address=data.address,
        field=data.field,
        unit=data.unit,
        scale=factor,
        per_ct=per_ct,
        time_field=data.time_field,
        where=f"{entry.row.place.file}:{entry.row.place.line}",
    )


def _allocation(data: AllocationRow, draft: Draft) -> Allocation:
    # model_dump would make texts of the fractions
    values = {name: getattr(data, name) for name in AllocationRow.model_fields}
    if data.price == BY_TARIFF and draft.tariff:
        values["currency"] = draft.tariff[0].data.currency
    return Allocation(**values)


def prices_of(draft: Draft) -> tuple[Price, ...]:
    """The lines of the bill."""
    return tuple(_price(entry.data, draft) for entry in draft.tariff)


def _price(data: TariffRow, draft: Draft) -> Price:
    others = ("from_", "until", "price", "values")
    return Price(
        price=data.price if data.price is not None else Fraction(0),
        values=draft.carbon[data.values] if data.values else (),
        from_ms=0 if data.from_ is None else moment_ms(data.from_, draft.zone),
        until_ms=None if data.until is None else moment_ms(data.until, draft.zone),
        **{name: getattr(data, name) for name in TariffRow.model_fields if name not in others},
    )


def _baseline(data: BaselineRow, zone: ZoneInfo) -> BaselinePeriod:
    until = moment_ms(data.until, zone)
    reporting = until if data.reporting_from is None else moment_ms(data.reporting_from, zone)
    return BaselinePeriod(data.point, moment_ms(data.from_, zone), until, reporting, data.reason)


def _forecast(draft: Draft) -> ForecastInput:
    """The forecast from outside; the unit is that of its quantity unless the plan says another."""
    if draft.forecast is None:
        return ForecastInput()
    data = draft.forecast.data
    values = data.model_dump() | {
        "source": data.source or "",
        "unit": data.unit or next(iter(OUTSIDE_UNITS[data.quantity])),
    }
    return ForecastInput(**values)


def _source(data: SourceRow) -> Source:
    options = {key: float(value) if isinstance(value, Decimal) else value for key, value in _extra(data)}
    return Source(data.name, data.protocol, tuple(sorted(options.items())))


def _extra(data: SourceRow) -> Iterable[tuple[str, str | int | Decimal]]:
    return (data.model_extra or {}).items()


def fingerprint(site: Site) -> str:
    """SHA-256 of what the plan means: the order of rows, comments, spelling of numbers and line numbers do not count."""
    parts = {item.name: getattr(site, item.name) for item in fields(Site) if item.compare}
    parts["inputs"] = tuple(replace(meter_input, where="") for meter_input in site.inputs)
    lines = [
        f"{key}: {sorted(map(repr, value)) if isinstance(value, tuple) else repr(value)}"
        for key, value in parts.items()
    ]
    return hashlib.sha256("\n".join(sorted(lines)).encode()).hexdigest()
