"""What may stand in the values of `[[tariff]]`."""

from fractions import Fraction
from typing import Annotated, Final, Literal

from pydantic import AfterValidator, PlainValidator

from meterd.adapters.planfile.field_types import exact, one_of, positive, refuse, shown, text
from meterd.core.model.tariff import Division, PriceKind, Times, months_in, times_in

BY_TARIFF: Final = "tariff"


def months(value: object) -> frozenset[int]:
    """Months of the year as numbers."""
    written = text(value)
    try:
        return months_in(written)
    except ValueError as error:
        refuse(f"{shown(written)} is not read as months: {error}", 'write "5-9", or "10-4" over the turn of the year')


def hours_of_week(value: object) -> tuple[Times, ...]:
    """Weekdays and hours of the local clock."""
    written = text(value)
    try:
        return times_in(written)
    except ValueError as error:
        refuse(f"{shown(written)} is not read as hours: {error}", 'write "mon-fri 08:00-20:00; sat 08:00-12:00"')


def price_or_tariff(value: object) -> Fraction | Literal["tariff"]:
    """A price per kWh, or the word for the tariff of the plan."""
    if isinstance(value, str) and value.strip() == BY_TARIFF:
        return BY_TARIFF
    if isinstance(value, str) and not value.strip()[:1].isdigit():
        refuse(f"{shown(value)} is no price", 'write a price per kWh such as 0.2431, or "tariff"')
    return positive(exact(value))


Months = Annotated[frozenset[int], PlainValidator(months)]
HoursOfWeek = Annotated[tuple[Times, ...], PlainValidator(hours_of_week)]
PriceOrTariff = Annotated[Fraction | Literal["tariff"], PlainValidator(price_or_tariff)]
PriceKindWord = Annotated[PriceKind, PlainValidator(one_of(PriceKind, "kind of price")), AfterValidator(PriceKind)]
DivisionWord = Annotated[Division, PlainValidator(one_of(Division, "divide")), AfterValidator(Division)]
