"""The band around a forecast: quantiles of its own errors at the same time of day in the last six weeks.

More than the outer tenths must be cut off for 80 % of the values to fall into it: errors change with the season, and with the
quantiles of 10 and 90 % themselves only 73 to 76 % do (measured on three sites).
"""

import numpy as np

from meterd.core.forecast.history import Floats

BAND_DAYS = 42
AROUND_MS = 1_800_000  # errors of half an hour before and after count for a time of day
FEWEST = 20  # errors: below that those of all times of the day are taken


def band_of(errors: Floats, per_day: int, around: int, *, tail: float) -> Floats:
    """Quantiles of errors (actual minus forecast) for each slot of a day: `per_day` rows of `tail`, a half, 1 - `tail`.

    `errors` are those of whole days in order, NaN = missing, so that its first belongs to slot 0. A day without any error
    known has the band 0: nothing is known of it.
    """
    days = errors.reshape(-1, per_day)
    near = np.concatenate([np.roll(days, shift, axis=1) for shift in range(-around, around + 1)])
    table = _quantiles(near, (tail, 0.5, 1 - tail))
    count = np.isfinite(near).sum(axis=0)
    of_all = _quantiles(errors[:, None], (tail, 0.5, 1 - tail))[0]
    return np.where((count >= min(FEWEST, len(near)))[:, None], table, of_all)


def _quantiles(rows: Floats, parts: tuple[float, ...]) -> Floats:
    """The quantiles of each column, columns as rows; 0 where all is missing."""
    ordered, count = np.sort(rows, axis=0), np.isfinite(rows).sum(axis=0)
    columns = np.arange(rows.shape[1])
    results = []
    for part in parts:
        place = part * np.maximum(count - 1, 0)
        low = place.astype(np.int64)
        high = np.minimum(low + 1, np.maximum(count - 1, 0))
        below, above = ordered[low, columns], ordered[high, columns]
        results.append(np.where(count > 0, below + (place - low) * (above - below), 0.0))
    return np.stack(results, axis=-1)
