"""Where PV will be when a decision acts: the edge of a cloud goes on, and so does the slow change of a clear day.

A cloud needs some samples from one side of the roof to the other. In the middle of its edge the next sample is known
better than by "as now": the change goes on, to where PV has been a little while ago. Only what the PV meter and the
connection both show counts as an edge; a load that is switched, or one spoiled reading, is none.
"""

from dataclasses import dataclass
from itertools import pairwise

from meterd.core.sharing.consumers import Policy

FORECAST_SAMPLES = 2  # samples an edge is followed ahead: it takes about half a minute (common practice for one roof)
SEEN_S = 600  # it does not go beyond what PV was within so long: clouds that pass are alike
FAST = 50  # a change of less than this fraction (1/50) of what PV was at most is noise or slow, no edge
LASTED = 3  # a slow change has lasted so many samples, and goes on as slowly as the slowest of them
SPACING = 1.5  # samples between two snapshots that still are one step


@dataclass(frozen=True, slots=True)
class PvHistory:
    """What was there before: production of the last minutes, oldest first, and export plus flexible load, in W."""

    production_w: tuple[int, ...] = ()
    surplus_w: int | None = None
    at_ms: int = 0


NO_HISTORY = PvHistory()


@dataclass(frozen=True, slots=True)
class PvForecast:
    """`rose_w` (>= 0) is a rise since the sample before that two meters show; `change_w` what is still to come."""

    rose_w: int = 0
    change_w: int = 0


def updated_forecast(
    history: PvHistory, production_w: int, *, surplus_w: int, at_ms: int, policy: Policy
) -> tuple[PvHistory, PvForecast]:
    """Take in the production and the export plus flexible load of one moment.

    A change of less than the dead band in a sample is no edge. A slow rise is counted up to the dead band: that much is
    to spare anyhow when a load starts, so that nothing is imported if it does not go on.
    """
    if history.production_w and at_ms <= history.at_ms:
        return history, PvForecast()
    if at_ms - history.at_ms > SPACING * policy.sample_ms:
        history = PvHistory(history.production_w, None, history.at_ms)
    stored = (*history.production_w, production_w)[-max(LASTED + 1, SEEN_S // policy.sharing.sample_s) :]
    after = PvHistory(stored, surplus_w, at_ms)
    if history.surplus_w is None:
        return after, PvForecast()
    change = _agreed(production_w - history.production_w[-1], surplus_w - history.surplus_w)
    rose = max(0, change)
    until = policy.sharing.delay_samples + 1  # samples until this decision acts
    fast = max(policy.dead_band_w, max(stored) // FAST, 1)
    if abs(change) < fast:
        return after, PvForecast(rose, min(until * _slow(stored, fast), policy.dead_band_w))
    there = min(max(production_w + min(FORECAST_SAMPLES, until) * change, min(stored)), max(stored))
    return after, PvForecast(rose, there - production_w)


def forget_step(history: PvHistory) -> PvHistory:
    """After a moment that tells nothing: what was produced is still known, the step before is not."""
    return PvHistory(history.production_w, None, history.at_ms)


def _agreed(one_w: int, other_w: int) -> int:
    """The smaller of two changes in the same direction, else none.

    >>> _agreed(5000, 4000), _agreed(-5000, -6000), _agreed(5000, -100)
    (4000, -5000, 0)
    """
    if one_w * other_w <= 0:
        return 0
    return min(one_w, other_w) if one_w > 0 else max(one_w, other_w)


def _slow(production_w: tuple[int, ...], below_w: int) -> int:
    """W per sample by which PV changes at least, sample after sample; 0 if it goes up and down, or as fast as an edge.

    >>> _slow((900, 800, 710, 600), 1500), _slow((900, 800, 810, 600), 1500), _slow((5, 10, 15, 9000), 1500)
    (-90, 0, 0)
    """
    newest = production_w[-LASTED - 1 :]
    steps = [after - before for before, after in pairwise(newest)]
    if len(steps) < LASTED or max(abs(step) for step in steps) >= below_w:
        return 0
    return max(0, min(steps)) + min(0, max(steps))
