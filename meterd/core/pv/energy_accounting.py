"""PV energy accounting: who used how much of it in each quarter hour, by the key of the plan.

Each quarter hour stands for itself and is shared in whole milliwatt-hours. Whole watt-hours are made once, of the sums of the
span: rounded in every quarter hour a small use lost up to a watt-hour each time (1.3 kWh per point and month below its
register). Both by the largest remainder, ties by name, so that the parts add up exactly and a second run gives the same
figures. Five keys:

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

from meterd.core.model.fair_division import largest_remainder

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
    return [item + two for item, two in zip(first, second, strict=True)]


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
    """Whole parts of any unit and what is left of `total`; the rest takes part in the rounding, behind everyone in a tie."""
    rest = Fraction(total) - sum(exact, Fraction(0))
    parts = largest_remainder(total, [*exact, rest], [*(f"0{name}" for name in names), "1"])
    return parts[:-1], parts[-1]


def pro_rata_whole(total: int, used: Sequence[int], names: Sequence[str]) -> tuple[list[int], int]:
    """`whole_wh` of `pro_rata` by whole numbers of any unit alone: the same parts in a tenth of the time, for a year.

    >>> pro_rata_whole(100, [1, 1, 1, 197], ["a", "b", "c", "d"])
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
    """One interval as it comes out, in mWh: parts, what went to the grid, and the residual.

    The residual is PV that neither a participant nor the grid took: common areas, losses, unmetered loads. `standby` is a
    production below zero (inverters at night). None in `parts` = missing.
    """

    start_ms: int
    parts: tuple[int, ...] | None
    to_grid: int = 0
    residual: int = 0
    standby: int = 0


def share_quarter(quarter: Quarter, names: Sequence[str], method: str, weights: Sequence[int]) -> Shared:
    """Share one interval. A production below zero (standby of inverters) shares nothing and is all in `standby`."""
    known = [use for use in quarter.used if use is not None]
    if quarter.production is None or len(known) < len(quarter.used):
        return Shared(quarter.start_ms, None)
    total = quarter.production
    if total < 0:
        return Shared(quarter.start_ms, (0,) * len(names), standby=total)
    used = [max(0, use) for use in known]
    if method == "pro-rata":
        parts, left = pro_rata_whole(total, used, names)
    else:
        parts, left = whole_wh(RULES[method](total, used, weights), total, names)
    # the static rule gives what it leaves to the grid, whatever the connection counted
    counted = left if quarter.export is None or method == "static" else max(0, quarter.export)
    to_grid = min(left, counted)
    return Shared(quarter.start_ms, tuple(parts), to_grid, left - to_grid)


@dataclass(frozen=True, slots=True)
class Account:
    """Sums of a span in whole Wh, rounded once. `missing` intervals could not be shared and are in no sum.

    `unshared_mwh` is the production of those of them in which it is known; `rest_mwh` the part of all that was shared below a
    whole watt-hour.
    """

    names: tuple[str, ...]
    parts: tuple[int, ...]
    used: tuple[int, ...]
    to_grid: int
    residual: int
    rest_mwh: int
    intervals: int
    missing: int
    standby_mwh: int
    unshared_mwh: int

    @property
    def shared(self) -> int:
        """What the participants got together."""
        return sum(self.parts)

    @property
    def production_mwh(self) -> int:
        """All production: parts, grid, residual and rest, less what the inverters drew, and what could not be shared, exactly."""
        whole = (self.shared + self.to_grid + self.residual) * MWH_PER_WH
        return whole + self.rest_mwh + self.standby_mwh + self.unshared_mwh

    @property
    def fairness(self) -> float | None:
        """Jain index of the parts, 1 = all alike, 1/n = one has everything."""
        return jain(self.parts)


class _Sums:
    """What the intervals of a span come to, in mWh, until it is rounded."""

    def __init__(self, names: Sequence[str]) -> None:
        self.names = tuple(names)
        self.parts, self.used = [0] * len(names), [0] * len(names)
        self.to_grid = self.residual = self.standby = self.unshared = self.count = self.missing = 0

    def add(self, quarter: Quarter, shared: Shared) -> None:
        """One more interval."""
        self.count += 1
        if shared.parts is None:
            self.missing += 1
            self.unshared += quarter.production or 0
            return
        self.parts = [a + b for a, b in zip(self.parts, shared.parts, strict=True)]
        self.used = [a + max(0, b or 0) for a, b in zip(self.used, quarter.used, strict=True)]
        self.to_grid, self.residual = self.to_grid + shared.to_grid, self.residual + shared.residual
        self.standby += shared.standby

    def account(self) -> Account:
        """The sums in whole watt-hours; what is below one of them all together is reported."""
        total, rest = divmod(sum(self.parts) + self.to_grid + self.residual, MWH_PER_WH)
        names = [*(f"0{name}" for name in self.names), "1", "2"]
        *parts, to_grid, residual = _in_wh([*self.parts, self.to_grid, self.residual], total, names)
        used = _in_wh(self.used, _nearest_wh(sum(self.used)), self.names)
        return Account(
            self.names, tuple(parts), tuple(used), to_grid=to_grid, residual=residual, rest_mwh=rest,
            intervals=self.count, missing=self.missing, standby_mwh=self.standby, unshared_mwh=self.unshared,
        )  # fmt: skip


def _in_wh(mwh: Sequence[int], total: int, names: Sequence[str]) -> list[int]:
    """Energies in whole watt-hours that add up to the total: each the one below or above itself."""
    whole = [item // MWH_PER_WH for item in mwh]
    order = sorted(range(len(mwh)), key=lambda i: (-(mwh[i] % MWH_PER_WH), names[i]))
    for i in order[: total - sum(whole)]:
        whole[i] += 1
    return whole


def _nearest_wh(mwh: int) -> int:
    return (mwh + MWH_PER_WH // 2) // MWH_PER_WH


def account(
    quarters: Iterable[Quarter], names: Sequence[str], method: str = "pro-rata", weights: Sequence[int] = ()
) -> Account:
    """Share every interval and add up. Participants keep their order; for `priority` it is the order of serving."""
    weights = weights or (1,) * len(names)
    sums = _Sums(names)
    for quarter in quarters:
        sums.add(quarter, share_quarter(quarter, names, method, weights))
    return sums.account()


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
    weights = [weight_of.get(tenant, 0) for tenant in tenants] if weight_of else [1] * len(tenants)
    parts, used = [0] * len(points), [0] * len(points)
    sums = _Sums(tenants)
    for quarter in quarters:
        own = [None if use is None else max(0, use) for use in quarter.used]
        of_tenants = tuple(_sum(own[i] for i in rows_of[tenant]) for tenant in tenants)
        joint = Quarter(quarter.start_ms, quarter.production, quarter.export, of_tenants)
        shared = share_quarter(joint, tenants, method, weights)
        sums.add(joint, shared)
        if shared.parts is None:
            continue
        for tenant, part in zip(tenants, shared.parts, strict=True):
            for i, mwh, use in _split(part, own, rows_of[tenant], points):
                parts[i] += mwh
                used[i] += use
    return _of_points(sums.account(), points, (parts, used), rows_of)


def _split(
    part: int, own: Sequence[int | None], rows: Sequence[int], points: Sequence[str]
) -> list[tuple[int, int, int]]:
    """The part of a tenant among its points: row, part and use of each."""
    use = [own[i] or 0 for i in rows]
    split = [part] if len(rows) == 1 else pro_rata_whole(part, use, [points[i] for i in rows])[0]
    return list(zip(rows, split, use, strict=True))


def _of_points(
    tenants: Account, points: tuple[str, ...], mwh: tuple[list[int], list[int]], rows_of: Mapping[str, Sequence[int]]
) -> PointAccount:
    """Parts and use of points in Wh that add up to those of their tenants."""
    made: list[list[int]] = []
    for exact, whole in zip(mwh, (tenants.parts, tenants.used), strict=True):
        results = [0] * len(points)
        for tenant, total in zip(tenants.names, whole, strict=True):
            rows = rows_of[tenant]
            for i, wh in zip(rows, _in_wh([exact[i] for i in rows], total, [points[i] for i in rows]), strict=True):
                results[i] = wh
        made.append(results)
    return PointAccount(tenants, points, tuple(made[0]), tuple(made[1]))


def _tenants(tenant_of: Mapping[str, str], weight_of: Mapping[str, int]) -> tuple[str, ...]:
    there = set(tenant_of.values())
    named = [name for name in weight_of if name in there]
    return (*named, *sorted(there.difference(named)))


def _sum(values: Iterable[int | None]) -> int | None:
    known = list(values)
    return None if None in known else sum(value for value in known if value is not None)


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
