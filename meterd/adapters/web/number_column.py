"""Columns of numbers with one unit, which stands in their head, and one number of places: so that they can be compared."""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from decimal import Decimal

from meterd.adapters.texts import wording
from meterd.adapters.web.pictures import unit_of
from meterd.core.model.fair_division import percents


def energy_column(language: str) -> Callable[..., "NumberColumn"]:
    """For templates: the column of all energies of some lists, in mWh; with `fine` also the small ones are told apart."""
    return lambda *lists, fine=False: number_column([mwh for values in lists for mwh in values], language, fine=fine)


def power_column(language: str) -> Callable[..., "NumberColumn"]:
    """For templates: the column of all powers of some lists, in W; with `fine` also the small ones are told apart."""
    return lambda *lists, fine=False: number_column(
        [watt for values in lists for watt in values], language, power=True, fine=fine
    )


def share_column(language: str) -> Callable[..., list[str]]:
    """For templates: parts of a whole in percent, which add up to 100.0 as they are shown; "" where one is unknown.

    With `sides`, one for each part, those of each side add up among themselves.
    """

    def words(parts: Iterable[float | None], sides: Sequence[object] = ()) -> list[str]:
        values = list(parts)
        of = list(sides) or [None] * len(values)
        shown = [""] * len(values)
        for side in dict.fromkeys(of):
            places = [i for i, own in enumerate(of) if own == side]
            for i, percent in zip(places, percents([values[i] for i in places]), strict=True):
                shown[i] = "" if percent is None else wording.number(language, percent, 1)
        return shown

    return words


@dataclass(frozen=True, slots=True)
class NumberColumn:
    """The unit of a column, what its values are divided by, and its decimal places."""

    unit: str
    divisor: float
    digits: int
    language: str

    @property
    def live(self) -> str:
        """How the script of the page writes a power of this column: divisor, places."""
        return f"{self.divisor:.0f} {self.digits}"

    def words(self, value: float) -> str:
        """A value, in mWh of energies and in W of powers, as its number in the unit of the column."""
        return wording.number(self.language, value / self.divisor, self.digits)

    def less(self, whole: float, part: float) -> str:
        """`whole` less `part` as both are shown, so that a row adds up.

        For the outgoing side of a balance, as feed side less residual: the residual is what is judged and stays exact, and
        one in the last place is far below what is certain of a sum of many meters.

        >>> column = NumberColumn("kWh", 1e6, 2, "en")
        >>> [column.words(value) for value in (10_004_000, 8_998_000, 1_006_000)], column.less(10_004_000, 1_006_000)
        (['10.00', '9.00', '1.01'], '8.99')
        """
        shown = [Decimal(f"{Decimal(str(value / self.divisor)):.{self.digits}f}") for value in (whole, part)]
        return wording.number(self.language, shown[0] - shown[1], self.digits)


def number_column(
    values: Sequence[float | None], language: str, *, power: bool = False, fine: bool = False
) -> NumberColumn:
    """The format that fits the largest value: three digits of it or more, whole W and Wh; MWh as in `wording.energy`.

    With `fine` there are two places (one from 10,000 on), and energies are never in Wh.
    Values in mWh, or in W of powers.

    >>> number_column([None, 12_345_678], "de").words(12_345_678)
    '12,3'
    >>> number_column([None], "de", power=True).unit
    'kW'
    >>> number_column([150_000.0, 18.0], "en", power=True, fine=True).words(18.0)
    '0.02'
    >>> number_column([67_500, 306_000], "en", fine=True).words(67_500)
    '0.07'
    """
    factor = 1.0 if power else 1000.0
    largest = max((abs(v) for v in values if v is not None), default=0.0) / factor
    usual = 0.0 if largest and (power or not fine) else 1000.0  # also of nothing
    divisor, unit = unit_of(max(largest, usual), power=power)
    if not power and divisor == 1e6 and largest * factor < wording.LEAST_IN_MWH:
        divisor, unit = 1e3, "kWh"
    scaled = largest / divisor
    whole = 0 if scaled >= 1000 else 1
    digits = 0 if divisor == 1.0 and scaled >= 10 else 2 if scaled < 10 else 2 - (scaled >= 10_000) if fine else whole
    return NumberColumn(unit, divisor * factor, digits, language)
