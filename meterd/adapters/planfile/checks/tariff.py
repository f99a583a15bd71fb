"""Rules for [[tariff]]: one currency, lines with names of their own, bounds that fit the kind of price."""

from meterd.adapters.planfile.draft import Draft
from meterd.adapters.planfile.fault import Notes
from meterd.adapters.planfile.schema import Entry, TariffRow
from meterd.core.model.tariff import Division, PriceKind

_ENERGY = (PriceKind.IMPORT, PriceKind.EXPORT, PriceKind.CARBON)
_ONLY = {
    "above_kwh": _ENERGY, "up_to_kwh": _ENERGY, "times": (*_ENERGY, PriceKind.DEMAND),
    "not_times": (*_ENERGY, PriceKind.DEMAND), "above_kw": (PriceKind.DEMAND,), "least_share": (PriceKind.DEMAND,),
    "least_months": (PriceKind.DEMAND,), "divide": (PriceKind.DEMAND, PriceKind.FIXED),
}  # fmt: skip


def check_tariff(draft: Draft, notes: Notes) -> None:
    """What a reader of the bill would stumble over."""
    seen: set[tuple[str, object, object]] = set()
    for entry in draft.tariff:
        data, row = entry.data, entry.row
        first = draft.tariff[0].data.currency
        if data.currency != first:
            what = f"{data.name} is in {data.currency} and the first line in {first}"
            notes.fault(row.at("currency"), what, "write one currency for the whole tariff")
        key = (data.name, data.from_, data.until)
        if key in seen:
            what = f"two lines of the tariff have the name {data.name!r}"
            notes.fault(row.at("name"), what, "choose another name, or other dates in from and until")
        seen.add(key)
        _check_price(entry, notes)
        _check_bounds(entry, notes)


def _check_price(entry: Entry[TariffRow], notes: Notes) -> None:
    """A price, or for carbon a file of values."""
    data, row = entry.data, entry.row
    if data.values and data.kind is not PriceKind.CARBON:
        what = f"values of {data.name} does nothing for a price of kind {data.kind}"
        notes.fault(row.at("values"), what, "leave it out")
    elif data.values and data.price is not None:
        notes.fault(row.at("values"), f"{data.name} has a price and values", "leave one of them out")
    elif not data.values and data.price is None and entry.sound("price"):
        notes.fault(row.at("price"), "price is missing", "write the price")
    for column in ("above_kwh", "up_to_kwh"):
        if data.values and column in row.values:
            notes.fault(row.at(column), f"{column} does nothing beside values", "leave it out")


def _check_bounds(entry: Entry[TariffRow], notes: Notes) -> None:
    data, row = entry.data, entry.row
    for column, kinds in _ONLY.items():
        if column in row.values and entry.sound("kind", column) and data.kind not in kinds:
            what = f"{column} of {data.name} does nothing for a price of kind {data.kind}"
            notes.fault(row.at(column), what, "leave it out")
    if data.divide is Division.PEAK and data.kind is PriceKind.FIXED:
        notes.fault(
            row.at("divide"), f"{data.name} has no demand that it could be divided by", 'write "energy" or "none"'
        )
    if data.up_to_kwh is not None and data.up_to_kwh <= data.above_kwh:
        what = f"{data.name} counts nothing: up_to_kwh {float(data.up_to_kwh):g} kWh is not above above_kwh"
        notes.fault(row.at("up_to_kwh"), what, f"write more than {float(data.above_kwh):g}")
    asked = "use_hours_from" in row.values or "use_hours_below" in row.values
    if asked and data.per != "year":
        notes.fault(row.place, f"{data.name} depends on the hours of use of a year", 'write per = "year"')
    if data.least_share and data.per == "year":
        notes.fault(row.at("least_share"), f"{data.name} is billed for a year", "leave least_share out")
    if data.least_share > 1:
        what = f"least_share {float(data.least_share):g} of {data.name} is more than the demand itself"
        notes.fault(row.at("least_share"), what, "write a part of 1, such as 0.65")
