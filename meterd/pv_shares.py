"""PV energy shared in the books: who used how much of it in each quarter hour, by the key of the plan.

Each quarter hour stands for itself. Whole watt-hours by the largest remainder, ties by name, so that the parts add up
exactly and a second run gives the same figures. Five keys:

    static     everyone's part by weight, at most what it used; what it leaves goes to the grid
    pro-rata   by what everyone used
    hybrid     static first, then the unused parts pro rata to what is still unmet
    equal      the same for everyone, at most what it used
    priority   the first in the order takes what it used, then the next

Sources: static, Spanish RD 244/2019 Annex I (ENG_h,i = beta_i ENG_h; at most the consumption); pro rata, Austrian rule for
shared generation, capped per quarter hour at the consumption. Hybrid and equal are own variants.
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction

from meterd.apportion import largest_remainder

METHODS = ("static", "pro-rata", "hybrid", "equal", "priority")
MWH_PER_WH = 1000

Exact = list[Fraction]


def static(total: int, used: Sequence[int], weights: Sequence[int]) -> Exact:
    """By weight, at most what was used."""
    whole = sum(weights)
    if whole == 0:
        return [Fraction(0)] * len(used)
    return [min(Fraction(total * weight, whole), Fraction(use)) for use, weight in zip(used, weights, strict=True)]


def pro_rata(total: int | Fraction, used: Sequence[int | Fraction], weights: Sequence[int] = ()) -> Exact:
    """By what was used."""
    whole = sum(used, Fraction(0))
    if total >= whole:
        return [Fraction(use) for use in used]
    return [Fraction(total) * use / whole for use in used]


def hybrid(total: int, used: Sequence[int], weights: Sequence[int]) -> Exact:
    """Static first; what that leaves, pro rata to what is still unmet."""
    first = static(total, used, weights)
    unmet = [use - part for use, part in zip(used, first, strict=True)]
    second = pro_rata(total - sum(first, Fraction(0)), unmet)
    return [one + two for one, two in zip(first, second, strict=True)]


def equal(total: int, used: Sequence[int], weights: Sequence[int] = ()) -> Exact:
    """The same for everyone, at most what it used: max-min fair."""
    parts, left = [Fraction(0)] * len(used), Fraction(total)
    order = sorted(range(len(used)), key=lambda i: used[i])
    for place, i in enumerate(order):
        parts[i] = min(Fraction(used[i]), left / (len(order) - place))
        left -= parts[i]
    return parts


def priority(total: int, used: Sequence[int], weights: Sequence[int] = ()) -> Exact:
    """In the order given, each takes what it used while there is something left."""
    parts, left = [], Fraction(total)
    for use in used:
        parts.append(min(Fraction(use), left))
        left -= parts[-1]
    return parts


RULES: Mapping[str, Callable[[int, Sequence[int], Sequence[int]], Exact]] = {
    "static": static,
    "pro-rata": pro_rata,
    "hybrid": hybrid,
    "equal": equal,
    "priority": priority,
}


def whole_wh(exact: Exact, total: int, names: Sequence[str]) -> tuple[list[int], int]:
    """Whole parts and what is left of `total`; the rest takes part in the rounding, behind everyone in a tie."""
    rest = Fraction(total) - sum(exact, Fraction(0))
    parts = largest_remainder(total, [*exact, rest], [*(f"0{name}" for name in names), "1"])
    return parts[:-1], parts[-1]


def pro_rata_wh(total: int, used: Sequence[int], names: Sequence[str]) -> tuple[list[int], int]:
    """`whole_wh` of `pro_rata` by whole numbers alone: the same parts in a tenth of the time, for a year of quarter hours.

    >>> pro_rata_wh(100, [1, 1, 1, 197], ["a", "b", "c", "d"])
    ([1, 1, 0, 98], 0)
    """
    whole = sum(used)
    if total >= whole:
        return list(used), total - whole
    parts = [total * use // whole for use in used]
    left = total - sum(parts)
    if left:
        order = sorted(range(len(used)), key=lambda i: (-(total * used[i] % whole), names[i]))
        for i in order[:left]:
            parts[i] += 1
    return parts, 0


@dataclass(frozen=True, slots=True)
class Quarter:
    """One interval as it goes in: production and export of the site, and what each participant used, all in mWh.

    A participant without a figure is None: then nothing can be shared in that interval. `export` is what the connection
    counted, None where it is not to be looked at: then all that is left counts as given to the grid.
    """

    start_ms: int
    production: int | None
    export: int | None
    used: tuple[int | None, ...]


@dataclass(frozen=True, slots=True)
class Shared:
    """One interval as it comes out, in Wh: parts, what went to the grid, and the residual.

    The residual is PV that neither a participant nor the grid took: common areas, losses, unmetered loads. `rest_mwh` is
    the part of the production below a whole watt-hour, `standby_mwh` a production below zero (inverters at night). None in
    `parts` = missing.
    """

    start_ms: int
    parts: tuple[int, ...] | None
    to_grid: int = 0
    residual: int = 0
    rest_mwh: int = 0
    standby_mwh: int = 0


def share_quarter(quarter: Quarter, names: Sequence[str], method: str, weights: Sequence[int]) -> Shared:
    """Share one interval. A production below zero (standby of inverters) shares nothing and is all in `standby_mwh`."""
    known = [use for use in quarter.used if use is not None]
    if quarter.production is None or len(known) < len(quarter.used):
        return Shared(quarter.start_ms, None)
    total, rest = divmod(quarter.production, MWH_PER_WH)
    if total < 0:
        return Shared(quarter.start_ms, (0,) * len(names), standby_mwh=quarter.production)
    # whole watt-hours of use, rounded down: nobody gets more than it used
    used = [max(0, use) // MWH_PER_WH for use in known]
    if method == "pro-rata":
        parts, left = pro_rata_wh(total, used, names)
    else:
        parts, left = whole_wh(RULES[method](total, used, weights), total, names)
    # the static rule gives what it leaves to the grid, whatever the connection counted
    counted = left if quarter.export is None or method == "static" else max(0, quarter.export) // MWH_PER_WH
    to_grid = min(left, counted)
    return Shared(quarter.start_ms, tuple(parts), to_grid, left - to_grid, rest)


@dataclass(frozen=True, slots=True)
class Account:
    """Sums of a span in Wh. `missing` intervals could not be shared and are in no sum."""

    names: tuple[str, ...]
    parts: tuple[int, ...]
    used: tuple[int, ...]
    to_grid: int
    residual: int
    rest_mwh: int
    intervals: int
    missing: int
    standby_mwh: int = 0

    @property
    def shared(self) -> int:
        """What the participants got together."""
        return sum(self.parts)

    @property
    def production_mwh(self) -> int:
        """The production that was shared: parts, grid, residual and rests, less what the inverters drew, exactly."""
        return (self.shared + self.to_grid + self.residual) * MWH_PER_WH + self.rest_mwh + self.standby_mwh

    @property
    def fairness(self) -> float | None:
        """Jain index of the parts, 1 = all alike, 1/n = one has everything."""
        return jain(self.parts)


def account(
    quarters: Iterable[Quarter], names: Sequence[str], method: str = "pro-rata", weights: Sequence[int] = ()
) -> Account:
    """Share every interval and add up. Participants keep their order; for `priority` it is the order of serving."""
    weights = weights or (1,) * len(names)
    parts, used = [0] * len(names), [0] * len(names)
    grid = residual = rest = standby = count = missing = 0
    for quarter in quarters:
        count += 1
        one = share_quarter(quarter, names, method, weights)
        if one.parts is None:
            missing += 1
            continue
        parts = [a + b for a, b in zip(parts, one.parts, strict=True)]
        used = [a + max(0, b or 0) // MWH_PER_WH for a, b in zip(used, quarter.used, strict=True)]
        grid, residual = grid + one.to_grid, residual + one.residual
        rest, standby = rest + one.rest_mwh, standby + one.standby_mwh
    return Account(tuple(names), tuple(parts), tuple(used), grid, residual, rest, count, missing, standby)


@dataclass(frozen=True, slots=True)
class PointAccount:
    """The account of the tenants, and of each of their points (part and use in Wh, in the order of the points)."""

    tenants: Account
    points: tuple[str, ...]
    parts: tuple[int, ...]
    used: tuple[int, ...]

    def by(self, group_of: Mapping[str, str]) -> dict[str, tuple[int, int]]:
        """Parts and use by group of points (an area, a board), in the order of their names."""
        sums: dict[str, tuple[int, int]] = {}
        for name, part, use in zip(self.points, self.parts, self.used, strict=True):
            known = sums.get(group_of[name], (0, 0))
            sums[group_of[name]] = (known[0] + part, known[1] + use)
        return dict(sorted(sums.items()))


def account_of_points(
    quarters: Iterable[Quarter], tenant_of: Mapping[str, str], method: str, weight_of: Mapping[str, int]
) -> PointAccount:
    """Share among tenants, then each tenant's part among its points pro rata.

    `tenant_of` names the points in the order of `Quarter.used`; `weight_of` the weights of static and hybrid, and by its
    order the order of priority. Tenants it does not name have no weight and come last.
    """
    points = tuple(tenant_of)
    tenants = _tenants(tenant_of, weight_of)
    rows_of = {tenant: [i for i, point in enumerate(points) if tenant_of[point] == tenant] for tenant in tenants}
    parts = [0] * len(points)
    joint: list[Quarter] = []
    weights = [weight_of.get(tenant, 0) for tenant in tenants] if weight_of else [1] * len(tenants)
    used = [0] * len(points)
    for quarter in quarters:
        whole = [None if use is None else max(0, use) // MWH_PER_WH for use in quarter.used]
        sums = tuple(_times(_sum(whole[i] for i in rows_of[tenant]), MWH_PER_WH) for tenant in tenants)
        joint.append(Quarter(quarter.start_ms, quarter.production, quarter.export, sums))
        one = share_quarter(joint[-1], tenants, method, weights)
        if one.parts is None:
            continue
        for tenant, part in zip(tenants, one.parts, strict=True):
            rows = rows_of[tenant]
            own = [whole[i] or 0 for i in rows]
            split = [part] if len(rows) == 1 else pro_rata_wh(part, own, [points[i] for i in rows])[0]
            for i, wh, use in zip(rows, split, own, strict=True):
                parts[i] += wh
                used[i] += use
    return PointAccount(account(joint, tenants, method, weights), points, tuple(parts), tuple(used))


def _tenants(tenant_of: Mapping[str, str], weight_of: Mapping[str, int]) -> tuple[str, ...]:
    there = set(tenant_of.values())
    named = [name for name in weight_of if name in there]
    return (*named, *sorted(there.difference(named)))


def _sum(values: Iterable[int | None]) -> int | None:
    known = list(values)
    return None if None in known else sum(value for value in known if value is not None)


def _times(value: int | None, factor: int) -> int | None:
    return None if value is None else value * factor


def jain(parts: Sequence[float]) -> float | None:
    """Fairness (sum x)^2 / (n sum x^2); None where nothing was shared.

    >>> jain([1, 1, 1, 1]), jain([1, 0, 0, 0]), jain([0, 0])
    (1.0, 0.25, None)

    Source: Jain, Chiu, Hawe 1984.
    """
    squares = sum(part * part for part in parts)
    return None if squares == 0 else sum(parts) ** 2 / (len(parts) * squares)


def joined(quarters: Sequence[Quarter], interval_ms: int, count: int) -> list[Quarter]:
    """The same energies in intervals `count` times as long: how much the netting interval matters. Missing stays missing."""

    groups: dict[int, list[Quarter]] = {}
    for quarter in quarters:
        groups.setdefault(quarter.start_ms // (interval_ms * count), []).append(quarter)
    return [
        Quarter(
            number * interval_ms * count,
            _sum(q.production for q in group),
            _sum(q.export for q in group),
            tuple(_sum(q.used[i] for q in group) for i in range(len(group[0].used))),
        )
        for number, group in sorted(groups.items())
        if len(group) == count
    ]
