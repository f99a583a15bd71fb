"""Where a site lies and how its arrays stand, found from the days that look clear: robust least squares (Levenberg, Marquardt).

Latitude, longitude, heating of modules and summer's air are common to the arrays of a site; each has its own tilt, azimuth and
power. What the simple sky lacks goes into them, so they are about right: good enough for the shape and season of clear days, no
survey. Heating and air are drawn to what is usual as far as the history says little of them: less than a year knows no season.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from meterd.core.pv.clear_sky import Floats, Ints, Place, Plane, Sky, clear_sky, plane_w

FIT_DAYS = 400  # a year and its edges
DAYS_OF_ARRAY = 30  # that are fitted, spread over the time
FEWEST_DAYS = 8  # clear days: below them an array is not fitted
# a clear day gives so much of the best day so many days around it; weeks without one are seen by the months around them, in
# which the light of a season is halved at most
AROUND = ((20, 0.75), (60, 0.35))
DARK = 0.05  # of the day's highest: below it an array sees little
CUT = 0.96  # of the day's highest: above it an inverter, a limit or a set point may cut
CLIPPED = 0.95  # of the highest ever: the same
HIGHEST = 0.9995  # quantile of all slots that counts as the highest ever
SOFT = 0.03  # of the day's highest: larger errors count less and less (pseudo-Huber)
ROUNDS = 25
SKIES = 6  # that are remembered: of the derivatives of a step, and of some tries
STARTS = ((0.0, 0.0), (-60.0, 60.0))  # azimuths to begin with, for arrays in turn
STEPS = (0.1, 0.01, 0.01, 0.01, 0.1, 0.1, 10.0)  # of derivatives: degrees, hours, heating, summer; degrees, degrees, W
SITE = 4  # values that arrays have in common
# modules are 25 to 30 K warmer than the air at 1000 W/m2 and lose 0.3 to 0.4 % for each K (common practice); from winter to
# summer air gets 16 to 20 K warmer, and hazier by a few percent of the light
USUAL = ((2, 0.1, 0.05), (3, 0.06, 0.05))  # place among the values, what is usual, how far sites differ
ALIKE_SLOTS = 20  # of a day err together: so many errors weigh as much as what is usual
# sum of second differences over the day's highest: a day below is smooth. The first part is the corners of a day (measured)
SMOOTH, SMOOTH_H = 0.42, 0.8


@dataclass(frozen=True, slots=True)
class RoofDays:
    """Mean powers in W of D days by S slots by A arrays; NaN = missing. `at_ms` are the middles of the slots [D, S]."""

    names: tuple[str, ...]
    at_ms: Ints
    watt: Floats

    @property
    def slot_h(self) -> float:
        """Length of a slot in h."""
        return 24.0 / int(self.at_ms.shape[1])

    def until(self, days: int) -> "RoofDays":
        """The first so many days."""
        return RoofDays(self.names, self.at_ms[:days], self.watt[:days])


@dataclass(frozen=True, slots=True)
class Roof:
    """What was fitted: the place, and a plane for each array, None where too few days were clear."""

    place: Place
    planes: tuple[Plane | None, ...]
    highest_w: Floats  # [A]


def roughness(days: RoofDays) -> Floats:
    """How uneven each day of each array is [D, A]; infinite where it is not known whole or nothing came."""
    known = np.asarray(np.isfinite(days.watt).all(axis=1))
    watt = np.where(known[:, None, :], days.watt, 0.0)
    top = watt.max(axis=1)
    second = np.abs(np.diff(watt, 2, axis=1)).sum(axis=1)
    return np.where(known & (top > 0), second / np.where(top > 0, top, 1.0), np.inf)


def smooth_limit(slot_h: float) -> float:
    """Below it a day looks clear."""
    return SMOOTH + SMOOTH_H * slot_h


def _bright(days: RoofDays) -> np.ndarray:
    """Which days are near the best of the weeks around them [D, A]: a covered sky can be as smooth as a clear one."""
    energy = np.nan_to_num(days.watt).sum(axis=1)
    bright = energy > 0
    for around, part in AROUND:
        padded = np.pad(energy, ((around, around), (0, 0)))
        best = np.lib.stride_tricks.sliding_window_view(padded, 2 * around + 1, axis=0).max(axis=-1)
        bright &= energy > part * best
    return np.asarray(bright)


def highest_w(days: RoofDays) -> Floats:
    """The highest power of each array that is no spike [A]; 0 where nothing is known."""
    flat = days.watt.reshape(-1, days.watt.shape[2])
    return np.array(
        [float(np.quantile(col, HIGHEST)) if len(col := _known(flat[:, a])) else 0.0 for a in range(flat.shape[1])]
    )


def _known(values: Floats) -> Floats:
    return values[np.isfinite(values)]


def usable(watt: Floats, highest: float) -> np.ndarray:
    """Slots of days [D, S] that say something of the array: bright, and not where something may have cut them."""
    top = watt.max(axis=1, keepdims=True)
    return np.asarray((watt > DARK * top) & (watt < np.minimum(CUT * top, CLIPPED * highest)))


def fit_roof(days: RoofDays) -> Roof | None:
    """The fit to the first 400 days; None where no array has clear days enough.

    What happens later does not bend it; what happens in them may, where it is too small to be restored before.
    """
    return _fit(days, _errors_of_power)


def fit_shape(days: RoofDays) -> Roof | None:
    """The same by the shape of days alone: each has its own height, so that a string that is lost does not bend the fit.

    The season says nothing then: tilts are rough, and powers are those of the highest slot.
    """
    return _fit(days, _errors_of_shape)


def _fit(days: RoofDays, errors_of: "Callable[[RoofDays, Ints, int, float], Residual]") -> Roof | None:
    first = days.until(FIT_DAYS)
    highest = highest_w(first)
    clear = np.asarray((roughness(first) < smooth_limit(days.slot_h)) & _bright(first))
    rows = [_spread(np.flatnonzero(clear[:, a])) for a in range(len(days.names))]
    fitted = [a for a, some in enumerate(rows) if len(some) >= FEWEST_DAYS]
    if not fitted:
        return None
    blocks = [errors_of(first, rows[a], a, float(highest[a])) for a in fitted]
    best: tuple[float, Floats] | None = None
    for azimuths in STARTS[: len(fitted)]:
        start = [45.0, _noon_ahead_h(first, clear), *(usual for _, usual, _ in USUAL)]
        for k in range(len(fitted)):
            start += [25.0, azimuths[k % 2], float(highest[fitted[k]])]
        results = _least(np.array(start), blocks)
        best = results if best is None or results[0] < best[0] else best
    assert best is not None, "there is at least one start"
    values = best[1]
    planes: list[Plane | None] = [None] * len(days.names)
    for k, a in enumerate(fitted):
        planes[a] = Plane(*(float(value) for value in _own(values, k)))
    return Roof(_place(values), tuple(planes), highest)


def _place(site: Floats) -> Place:
    return Place(*(float(value) for value in site[:SITE]))


def _spread(rows: Ints) -> Ints:
    """So many rows, spread evenly."""
    if len(rows) <= DAYS_OF_ARRAY:
        return rows
    return rows[np.linspace(0, len(rows) - 1, DAYS_OF_ARRAY).astype(np.int64)]


def _noon_ahead_h(days: RoofDays, clear: np.ndarray) -> float:
    """Hours that the middle of the light is before 12 UTC: where the search begins."""
    watt = np.where(clear[:, None, :], np.nan_to_num(days.watt), 0.0).sum(axis=(0, 2))
    hours = (days.at_ms[0] / 3_600_000.0) % 24
    angle = np.angle((watt * np.exp(1j * np.pi * hours / 12)).sum())
    noon = float(angle * 12 / np.pi) % 24
    return (12 - noon + 12) % 24 - 12


Residual = Callable[[Floats, Floats], Floats]


def _errors_of_power(days: RoofDays, rows: Ints, array: int, highest: float) -> Residual:
    """Errors of one array over its days, in parts of the day's highest."""
    at_ms, watt, used, top = _slots(days, rows, array, highest)
    power_of = _powers(at_ms)

    def residual(site: Floats, own: Floats) -> Floats:
        should = power_of(site, Plane(own[0], own[1], own[2]))
        return np.asarray((np.where(used, should - watt, 0.0) / top).ravel())

    return residual


def _errors_of_shape(days: RoofDays, rows: Ints, array: int, highest: float) -> Residual:
    """The same with the height of each day that fits best."""
    at_ms, watt, used, top = _slots(days, rows, array, highest)
    watt = np.where(used, watt, 0.0)
    power_of = _powers(at_ms)

    def residual(site: Floats, own: Floats) -> Floats:
        should = np.where(used, power_of(site, Plane(own[0], own[1], highest)), 0.0)
        height = (should * watt).sum(axis=1, keepdims=True) / np.maximum((should**2).sum(axis=1, keepdims=True), 1e-9)
        return np.asarray(((should * height - watt) / top).ravel())

    return residual


def _powers(at_ms: Ints) -> Callable[[Floats, Plane], Floats]:
    """Powers under a clear sky; the sky of a step of the search serves all derivatives that leave sun and time as they are."""
    skies: dict[tuple[float, float], Sky] = {}

    def power_of(site: Floats, plane: Plane) -> Floats:
        place, where = _place(site), (float(site[0]), float(site[1]))
        if where not in skies:
            if len(skies) >= SKIES:
                skies.clear()
            skies[where] = clear_sky(place, at_ms)
        return plane_w(skies[where], place, plane)

    return power_of


def _slots(days: RoofDays, rows: Ints, array: int, highest: float) -> tuple[Ints, Floats, np.ndarray, Floats]:
    """Times, powers and use of the slots of some days, and the highest of each; of short slots every other is enough."""
    every = 2 if days.slot_h < 0.5 else 1
    watt = days.watt[rows][:, :, array]
    used, top = usable(watt, highest), watt.max(axis=1, keepdims=True)
    return days.at_ms[rows][:, ::every], watt[:, ::every], used[:, ::every], top


def _own(values: Floats, k: int) -> Floats:
    return values[SITE + 3 * k : SITE + 3 + 3 * k]


def _errors(values: Floats, blocks: Sequence[Residual]) -> list[Floats]:
    return [block(values[:SITE], _own(values, k)) for k, block in enumerate(blocks)]


def _cost(values: Floats, errors: Sequence[Floats]) -> float:
    unusual = sum(((values[place] - usual) / spread) ** 2 for place, usual, spread in USUAL)
    return float(ALIKE_SLOTS / 2 * unusual + sum((np.sqrt(1 + (error / SOFT) ** 2) - 1).sum() for error in errors))


def _least(start: Floats, blocks: Sequence[Residual]) -> tuple[float, Floats]:
    """The least cost from a start, and where it lies."""
    values, damping = start, 1e-2
    errors = _errors(values, blocks)
    cost = _cost(values, errors)
    for _ in range(ROUNDS):
        matrix, gradient = _normal(values, errors, blocks)
        before = cost
        for _ in range(6):
            step = np.linalg.solve(matrix + damping * np.diag(np.diag(matrix) + 1e-12), -gradient)
            tried = _held(values + step)
            tried_errors = _errors(tried, blocks)
            if (tried_cost := _cost(tried, tried_errors)) < cost:
                values, errors, cost, damping = tried, tried_errors, tried_cost, damping / 3
                break
            damping *= 4
        if before - cost < 1e-4 * before:
            break
    return cost, values


def _normal(values: Floats, errors: Sequence[Floats], blocks: Sequence[Residual]) -> tuple[Floats, Floats]:
    """The weighted normal equations. Each block depends on the place and on its own plane only."""
    size = len(values)
    matrix, gradient = np.zeros((size, size)), np.zeros(size)
    for k, (block, error) in enumerate(zip(blocks, errors, strict=True)):
        places = [*range(SITE), *range(SITE + 3 * k, SITE + 3 + 3 * k)]
        columns = []
        for place, width in zip(places, STEPS, strict=True):
            moved = values.copy()
            moved[place] += width
            columns.append((block(moved[:SITE], _own(moved, k)) - error) / width)
        slope = np.stack(columns, axis=1)
        weighted = slope / np.sqrt(1 + (error / SOFT) ** 2)[:, None]
        matrix[np.ix_(places, places)] += weighted.T @ slope
        gradient[places] += weighted.T @ error
    for place, usual, spread in USUAL:  # the cost of errors is in parts of SOFT, these sums are not
        matrix[place, place] += ALIKE_SLOTS * (SOFT / spread) ** 2
        gradient[place] += ALIKE_SLOTS * (SOFT / spread) ** 2 * (values[place] - usual)
    return matrix, gradient


def _held(values: Floats) -> Floats:
    """Within what can be: latitudes where people live, roofs and walls, a power above zero."""
    held = values.copy()
    held[0] = np.clip(held[0], -66.0, 66.0)
    held[2:SITE] = np.clip(held[2:SITE], -0.3, 0.3)
    held[SITE::3] = np.clip(held[SITE::3], 0.0, 90.0)
    held[SITE + 1 :: 3] = (held[SITE + 1 :: 3] + 180.0) % 360.0 - 180.0
    held[SITE + 2 :: 3] = np.maximum(held[SITE + 2 :: 3], 1.0)
    return held
