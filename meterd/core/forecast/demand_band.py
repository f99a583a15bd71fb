"""How wide the band of a running interval must be: what its own outlooks of the last week were worth.

The forecast tells its errors by whole intervals. Inside one, machines that switch within the minute come on top, and a house
whose draw stays needs less. So the width is scaled until eight of ten outlooks have held.
"""

import json
import math
from dataclasses import dataclass, replace

from meterd.core.model.demand import DemandOutlook

LOOKS = (0.9, 0.6, 0.3)  # parts of an interval that are left when an outlook is noted
ENDED = 0.1  # left at most, when the newest outlook is taken for what came: meters often send each minute
FEWEST, MOST = 288, 2016  # noted outlooks: a day of quarter hours, and a week
INSIDE = 0.8
NARROWEST, WIDEST = 0.4, 2.5  # of the width that the forecast gives
STORED_PLACES = 3  # of an error, in parts of its width
BAND_FACT = "demand_band"  # under this name a store keeps it


@dataclass(frozen=True, slots=True)
class DemandBand:
    """Errors of outlooks in parts of the width they had unscaled, oldest first; `scale` is made of them.

    `noted` holds middle and unscaled width of the outlooks of the running interval, `newest` its last middle with the part of
    the interval that was left.
    """

    scale: float = 1.0
    errors: tuple[float, ...] = ()
    start_ms: int = 0
    noted: tuple[tuple[float, float], ...] = ()
    newest: tuple[float, float] | None = None


def follow(band: DemandBand, outlook: DemandOutlook | None, interval: tuple[int, int]) -> DemandBand:
    """The band after another outlook, made with its scale. `interval` is the start of the running one and its length in ms."""
    if interval[0] != band.start_ms:
        band = replace(_ended(band), start_ms=interval[0], noted=(), newest=None)
    if outlook is None or not outlook.forecast:
        return band
    left = (interval[0] + interval[1] - outlook.at_ms) / interval[1]
    width = (outlook.high_w - outlook.middle_w) / band.scale
    noted = band.noted
    if len(noted) < len(LOOKS) and left <= LOOKS[len(noted)] and left > ENDED and width > 0:
        noted = (*noted, (outlook.middle_w, width))
    return replace(band, noted=noted, newest=(outlook.middle_w, left))


def _ended(band: DemandBand) -> DemandBand:
    """The errors with those of the interval that is over, if it was seen to its end."""
    if band.newest is None or band.newest[1] > ENDED:
        return band
    came = band.newest[0]
    errors = (*band.errors, *(abs(middle - came) / width for middle, width in band.noted))[-MOST:]
    return replace(band, errors=errors, scale=_scale_of(errors))


def _scale_of(errors: tuple[float, ...]) -> float:
    if len(errors) < FEWEST:
        return 1.0
    scale = sorted(errors)[math.ceil(INSIDE * len(errors)) - 1]
    return min(max(scale, NARROWEST), WIDEST)


def to_text(band: DemandBand) -> str:
    """What a store keeps of a band: its errors, of which the scale is made. The interval that runs is not in it.

    >>> to_text(DemandBand(errors=(0.25, 1.0004)))
    '[0.25, 1.0]'
    """
    return json.dumps([round(error, STORED_PLACES) for error in band.errors])


def from_text(text: str | None) -> DemandBand:
    """The band that was stored; a new one where nothing is stored, or nothing that can be read.

    >>> from_text("[0.25, 1.0]").errors, from_text(None) == from_text("[true]") == DemandBand()
    ((0.25, 1.0), True)
    """
    try:
        stored = json.loads(text or "[]")
    except ValueError:
        return DemandBand()
    if not isinstance(stored, list) or not all(type(e) in (int, float) and 0 <= e < math.inf for e in stored):
        return DemandBand()
    errors = tuple(float(error) for error in stored[-MOST:])
    return DemandBand(scale=_scale_of(errors), errors=errors)
