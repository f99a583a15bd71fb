"""Dividing a whole number so that nothing is lost: max-min fair, and by weights with the largest remainder."""

import math
from collections.abc import Sequence
from fractions import Fraction

import numpy as np
import numpy.typing as npt

Ints = npt.NDArray[np.int64]


def max_min(total: int, demand: Ints) -> Ints:
    """Max-min fair shares of `total` among demands (n,), all >= 0: nobody gets more than it asks, the rest alike.

    The sum is exactly min(total, sum of demands); the watts that do not divide go to the first in order.

    >>> max_min(10_000, np.array([2000, 2600, 4000, 5000])).tolist()
    [2000, 2600, 2700, 2700]

    Source: Keshav, An Engineering Approach to Computer Networking (1997), max-min example.
    """
    count = len(demand)
    if total <= 0 or count == 0:
        return np.zeros(count, dtype=np.int64)
    asked = np.sort(demand)
    met = np.concatenate(([0], np.cumsum(asked)))  # met[k]: what the k smallest take when they get all they ask
    if total >= met[-1]:
        return demand.copy()
    left = np.arange(count, 0, -1)
    level = (total - met[:-1]) // left  # for all others when the k smallest are met
    # the first k whose next demand is above the level is the answer: the levels rise with k as long as demands are met
    first = int(np.argmax(asked > level))
    shares: Ints = np.minimum(demand, level[first])
    rest = total - int(shares.sum())
    if rest > 0:
        more = np.flatnonzero(demand > level[first])[:rest]
        shares[more] += 1
    return shares


def max_min_from(total: int, floor: Ints, demand: Ints) -> Ints:
    """Max-min fair shares where each has at least its floor (floor <= demand, sum of floors <= total).

    The level L solves sum(clip(L, floor, demand)) = total, found by halving to the watt.
    """
    assert int(floor.sum()) <= total, "the floors must fit into the total"
    if not floor.any():
        return max_min(total, demand)
    if total >= int(demand.sum()):
        return demand.copy()
    low, high = 0, int(demand.max())
    while high - low > 1:
        middle = (low + high) // 2
        if int(np.clip(middle, floor, demand).sum()) <= total:
            low = middle
        else:
            high = middle
    shares: Ints = np.clip(low, floor, demand).astype(np.int64)
    more = np.flatnonzero((shares == low) & (demand > low))[: total - int(shares.sum())]
    shares[more] += 1
    return shares


def largest_remainder(total: int, exact: Sequence[Fraction], names: Sequence[str]) -> list[int]:
    """Whole numbers next to exact ones that add up to `total`: the largest remainders are rounded up, ties by name.

    The exact numbers, all >= 0, must add up to `total`.

    >>> third = Fraction(100, 3)
    >>> largest_remainder(100, [third, third, third], ["a", "b", "c"])
    [34, 33, 33]
    """
    assert sum(exact, Fraction(0)) == total, "the exact parts must add up to the whole"
    whole = [part.numerator // part.denominator for part in exact]
    order = sorted(range(len(exact)), key=lambda i: (whole[i] - exact[i], names[i]))
    for i in order[: total - sum(whole)]:
        whole[i] += 1
    return whole


def percents(parts: Sequence[float | None], digits: int = 1) -> list[float | None]:
    """Parts of one as percentages of so many places that add up, as they are shown, to the rounded sum of the exact ones.

    Those with the largest remainders are rounded up, the first of equal ones; None stays None. So parts of a whole make
    100.0, and each is less than one step from its exact value.

    >>> percents([1 / 3, 1 / 3, 1 / 3])
    [33.4, 33.3, 33.3]
    >>> percents([0.5, None, 0.2504])
    [50.0, None, 25.0]
    """
    steps = 10**digits
    exact = [(i, 100 * steps * part) for i, part in enumerate(parts) if part is not None]
    whole = {i: math.floor(value) for i, value in exact}
    more = math.floor(math.fsum(value for _, value in exact) + 0.5) - sum(whole.values())
    for i, _ in sorted(exact, key=lambda pair: (whole[pair[0]] - pair[1], pair[0]))[:more]:
        whole[i] += 1
    return [whole[i] / steps if i in whole else None for i in range(len(parts))]
