"""What may stand in the values of `[[tariff]]`."""

from typing import Annotated

from pydantic import AfterValidator, PlainValidator

from meterd.adapters.planfile.field_types import one_of, refuse, shown, text
from meterd.core.model.tariff import PriceKind, Times, months_in, times_in


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


Months = Annotated[frozenset[int], PlainValidator(months)]
HoursOfWeek = Annotated[tuple[Times, ...], PlainValidator(hours_of_week)]
PriceKindWord = Annotated[PriceKind, PlainValidator(one_of(PriceKind, "kind of price")), AfterValidator(PriceKind)]
