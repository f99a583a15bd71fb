"""What came into a board or through common points, divided among tenants: every line whole Wh, nothing lost.

    pot         what came in: the feed side of a board, or the sum of named points
    residual    the part of the pot that no meter behind it counted; never divided, always a line of its own
    divided     pot less residual, by the basis of the plan:

    use         by what each tenant's own points counted in the period
    area        by floor area
    fixed       by the weights of the plan
    mixed       a percentage by use, what is left by area

Whole watt-hours and whole cents by the largest remainder, ties by name: the lines add up exactly, and a second run gives
the same figures. Percentages and bases are what contract or law says; those here are common practice, not advice.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from math import floor
from typing import Literal

from meterd.core.energy.tariff import PARTS_PER_COIN
from meterd.core.model.fair_division import largest_remainder
from meterd.core.model.plan import Allocation
from meterd.core.pv.energy_accounting import MWH_PER_WH, whole_wh

HALF = Fraction(1, 2)
Kind = Literal["tenant", "residual", "undivided"]


@dataclass(frozen=True, slots=True)
class MeteredEnergy:
    """An energy as stored: mWh (None = missing), whether estimated, and the points that miss a figure."""

    mwh: int | None
    estimated: bool = False
    missing: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class AllocationInputs:
    """One period as it goes in: the pot, its residual, and what each tenant's own points counted."""

    label: str
    pot: MeteredEnergy
    residual: MeteredEnergy
    uses: Mapping[str, MeteredEnergy]
    cost: int | None = None  # of the pot by the tariff, in 1/10,000 of the currency


@dataclass(frozen=True, slots=True)
class Line:
    """One line of a statement: whole Wh and whole cents (None without a price). `use_wh` and `area_m2` are what it is by."""

    kind: Kind
    name: str
    wh: int
    cents: int | None
    use_wh: int | None = None
    area_m2: Fraction | None = None
    weight: int | None = None
    estimated: bool = False


@dataclass(frozen=True, slots=True)
class Statement:
    """One allocation of one period. Without `lines` it could not be computed, `missing` says for want of which points.

    The pot is exactly the sum of the lines times 1000 plus `rest_mwh`, what is below a watt-hour.
    """

    allocation: str
    label: str
    lines: tuple[Line, ...]
    rest_mwh: int = 0
    estimated: bool = False
    missing: tuple[str, ...] = ()

    @property
    def wh(self) -> int:
        """All lines together."""
        return sum(line.wh for line in self.lines)

    @property
    def cents(self) -> int | None:
        """All lines together; None without a price, or where one is missing."""
        known = [line.cents for line in self.lines if line.cents is not None]
        return sum(known) if known and len(known) == len(self.lines) else None

    @property
    def pot_mwh(self) -> int | None:
        """What was there to divide; None if it is missing."""
        return self.wh * MWH_PER_WH + self.rest_mwh if self.lines else None


def tenants_of(rule: Allocation, metered: Sequence[str]) -> tuple[str, ...]:
    """Who takes part, in order of name: those with an area, a weight or a name in the plan, else all that are metered."""
    if rule.tenants:
        return tuple(sorted(rule.tenants))
    listed = {"area": rule.areas, "mixed": rule.areas, "fixed": rule.weights}.get(rule.basis, ())
    return tuple(sorted(name for name, _ in listed)) if listed else tuple(sorted(set(metered)))


def allocate(rule: Allocation, period: AllocationInputs) -> Statement:
    """Divide the pot of one period. A figure that is needed and missing leaves no line, never a smaller sum."""
    names = tenants_of(rule, tuple(period.uses))
    by_use = rule.basis in ("use", "mixed")
    uses = {name: period.uses.get(name, MeteredEnergy(0)) for name in names}
    needed = (period.pot, period.residual, *(uses.values() if by_use else ()))
    missing = tuple(dict.fromkeys(name for item in needed if item.mwh is None for name in item.missing or ("?",)))
    if missing or period.pot.mwh is None or period.residual.mwh is None:
        return Statement(rule.name, period.label, (), missing=missing)
    divided, residual, rest = _whole(period.pot.mwh, period.residual.mwh)
    parts, undivided = _parts(rule, names, uses, max(0, divided))
    undivided += min(0, divided)
    estimated = period.pot.estimated or period.residual.estimated
    lines = [
        Line(
            "tenant", name, part, None,
            use_wh=None if (use := uses[name].mwh) is None or not by_use else use // MWH_PER_WH,
            area_m2=dict(rule.areas).get(name) if rule.basis in ("area", "mixed") else None,
            weight=dict(rule.weights).get(name) if rule.basis == "fixed" else None,
            estimated=estimated or (by_use and uses[name].estimated),
        )
        for name, part in zip(names, parts, strict=True)
    ]  # fmt: skip
    lines.append(Line("residual", "", residual, None, estimated=estimated))
    if undivided:
        lines.append(Line("undivided", "", undivided, None, estimated=estimated))
    priced = _priced(lines, rule.price, period.cost)
    return Statement(rule.name, period.label, priced, rest, any(line.estimated for line in priced))


def _whole(pot: int, residual: int) -> tuple[int, int, int]:
    """Divided and residual energy in whole Wh, and what is below: pot = (divided + residual) * 1000 + rest, exactly."""
    divided, first = divmod(pot - residual, MWH_PER_WH)
    over, second = divmod(residual, MWH_PER_WH)
    carry, rest = divmod(first + second, MWH_PER_WH)
    return divided, over + carry, rest


def _parts(
    rule: Allocation, names: Sequence[str], uses: Mapping[str, MeteredEnergy], total: int
) -> tuple[list[int], int]:
    """Whole Wh of each tenant, and what nobody has a weight for."""
    use = [Fraction(max(0, uses[name].mwh or 0)) for name in names]  # who gave more than it took has used nothing
    areas, weights = dict(rule.areas), dict(rule.weights)
    area = [areas.get(name, Fraction(0)) for name in names]
    fixed = [Fraction(weights.get(name, 0)) for name in names]
    share = Fraction(rule.use_percent, 100)
    blends = {
        "use": ((Fraction(1), use),),
        "area": ((Fraction(1), area),),
        "fixed": ((Fraction(1), fixed),),
        "mixed": ((share, use), (1 - share, area)),
    }[rule.basis]
    exact = [Fraction(0)] * len(names)
    for part, by in blends:
        whole = sum(by, Fraction(0))
        if whole:
            exact = [known + total * part * own / whole for known, own in zip(exact, by, strict=True)]
    return whole_wh(exact, total, names)


def _priced(lines: Sequence[Line], price: Fraction | Literal["tariff"] | None, cost: int | None) -> tuple[Line, ...]:
    """The lines with cents that add up to the price of all of them, rounded half up once.

    By the tariff `cost` is divided as the energy is; without it, as where an interval is missing, there are no cents.
    """
    wh = sum(line.wh for line in lines)
    if price == "tariff":
        if cost is None:
            return tuple(lines)
        exact_total = Fraction(cost, PARTS_PER_COIN)
        # of a pot of nothing what is left of its cost belongs to nobody
        own = [Fraction(floor(exact_total + HALF)) * (line.kind == "residual") for line in lines]
    elif price is None:
        return tuple(lines)
    else:
        exact_total = wh * price / 10  # price per kWh in whole currency: Wh / 1000 * 100 cents
        own = [line.wh * price / 10 for line in lines]
    total = floor(exact_total + HALF)
    # scaled to the rounded total, so that one rounding serves all lines; of a pot of nothing every line is its own price
    exact = [Fraction(total * line.wh, wh) for line in lines] if wh else own
    names = [f"{line.kind != 'tenant':d}{line.name}{line.kind}" for line in lines]
    cents = largest_remainder(total, exact, names)
    return tuple(replace(line, cents=amount) for line, amount in zip(lines, cents, strict=True))


def sum_of(parts: Sequence[Statement], label: str) -> Statement:
    """Statements of consecutive periods added up, line by line; missing with any missing part."""
    missing = tuple(dict.fromkeys(f"{name} ({part.label})" for part in parts for name in part.missing))
    if missing or not parts:
        return Statement(parts[0].allocation if parts else "", label, (), missing=missing)
    lines: dict[tuple[Kind, str], Line] = {}
    for line in (line for part in parts for line in part.lines):
        known = lines.get((line.kind, line.name))
        lines[line.kind, line.name] = line if known is None else _added(known, line)
    order = {"tenant": 0, "residual": 1, "undivided": 2}
    ranked = tuple(sorted(lines.values(), key=lambda line: (order[line.kind], line.name)))
    # whole watt-hours that gather from below the lines stay in the rest: no line changes after its month
    rest = sum(part.rest_mwh for part in parts)
    return Statement(parts[0].allocation, label, ranked, rest, any(part.estimated for part in parts))


def _added(line: Line, two: Line) -> Line:
    return replace(
        line,
        wh=line.wh + two.wh,
        cents=_plus(line.cents, two.cents),
        use_wh=_plus(line.use_wh, two.use_wh),
        estimated=line.estimated or two.estimated,
    )


def _plus(item: int | None, two: int | None) -> int | None:
    return None if item is None or two is None else item + two
