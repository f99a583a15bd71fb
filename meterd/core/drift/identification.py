"""Which of the hypotheses explains what was seen: likelihood ratio, correlation, step, change date, and what is said of it."""

import math
from dataclasses import asdict, dataclass, replace
from zoneinfo import ZoneInfo

import numpy as np

from meterd.core.balance.topology import NOT_OBSERVABLE
from meterd.core.balance.uncertainty import Floats
from meterd.core.drift.baseline import Fit, Hypothesis
from meterd.core.drift.load_shape import Judge, Profile, ShapeEvidence
from meterd.core.drift.wiring_faults import CAUTION, Observed, match
from meterd.core.model.periods import DAY_MS, day_of

ODDS = 20.0  # a name is given only where the next hypothesis is so many times less likely
MOST_ODDS = 1_000_000  # beyond it a sentence says "more than": hundreds of digits say nothing more
ALIKE = 0.95  # signatures correlated more than this are listed together whatever the figures say
STEP_FOR_CAUSE = 0.05  # a ratio step below it is drift within what wear and temperature do; causes are of no use
THIN = 30.0  # T below which a feeder is not named: as much as the search for gross faults asks for
YOUNG_DAYS = (
    14  # of evidence; before them more is asked to strike a meter out (climbing-hall was wrongly, on day 5 and 7)
)
YOUNG = 4.0  # times GAP is asked then: two loads whose hours look alike for some days do so by chance
CAUSES = 4  # named with each candidate; a longer list helps nobody on site
GAP = 2 * math.log(ODDS)
_EXPLAINED = 1e-9


@dataclass(frozen=True, slots=True)
class Evidence:
    """How each hypothesis explains a window: statistic T = 2 ln LR [H], step and its standard error [H], correlation [H, H]."""

    T: Floats
    step: Floats
    error: Floats
    correlation: Floats


def evidence(before: Fit, M: Floats, s: Floats, D: Floats, scale: float = 1.0) -> Evidence:
    """Evidence for each direction of D [p, H] from a window with information M [p, p] and score s = b - M mean [p].

    The baseline's own uncertainty is taken out: Q = (M^-1 + C)^-1 = M (I + C M)^-1, q = (I + M C)^-1 s, T = (d'q)^2 /
    (scale d'Qd). `scale` is by how much days scatter more than their intervals let expect.
    """
    inner = np.eye(len(M)) + before.covariance @ M
    Q = np.linalg.solve(inner.T, M).T
    q = np.linalg.solve(inner.T, s)
    Q = (Q + Q.T) / 2
    K = D.T @ Q @ D
    own = np.maximum(np.diagonal(K), 0.0)
    seen = own > _EXPLAINED * max(float(own.max(initial=0.0)) * 1e-9, 1e-300)
    safe = np.where(seen, own, 1.0)
    step = np.where(seen, (D.T @ q) / safe, 0.0)
    root = np.sqrt(safe)
    R = np.where(seen[:, None] & seen[None, :], K / np.outer(root, root), 0.0)
    error = np.where(seen, math.sqrt(scale) / root, np.inf)
    return Evidence(step * step * safe / scale, step, error, R)


@dataclass(frozen=True, slots=True)
class Candidate:
    """One hypothesis that fits. `odds` is how many times less likely it is than the best; `correlation` that with the best.

    `measured` says at which power factors a ratio was seen, once somebody has looked (drift_factor).
    """

    hypothesis: str
    kind: str
    points: tuple[str, ...]
    node: str
    step: float
    step_error: float
    unit: str
    statistic: float
    odds: float
    correlation: float
    causes: tuple[str, ...] = ()
    measured: str = ""
    hours: tuple[int, int] = (0, 24)  # of the local day in which a load of a daily shape is largest

    @property
    def text(self) -> str:
        """In words with figures."""
        who = {"ratio": f"{'/'.join(self.points)} reads", "ct-set": f"CT set of {', '.join(self.points)} reads"}
        if self.unit == "ratio":
            if self.step == -1.0:
                return f"{'/'.join(self.points)} counts nothing any more"
            if self.large:
                digits, error = 2 if self.step_error >= 0.005 else 3, max(self.step_error, 0.001)  # never "+- 0.00"
                return f"{who[self.kind]} {1 + self.step:.{digits}f} +- {error:.{digits}f} of the true energy"
            return f"{who[self.kind]} {100 * self.step:+.2f} % +- {100 * self.step_error:.2f} %"
        if self.kind == "shape":
            first, last = self.hours
            return f"unmetered load of {self.node} that follows no meter, {self.step:+.2f} kW from {first} to {last} h"
        what = "unmetered standing load" if self.kind == "standing" else "losses at rated load"
        return f"{what} of {self.node} {self.step:+.2f} kW +- {self.step_error:.2f} kW"

    @property
    def large(self) -> bool:
        """Whether it is reported as a factor: percent of a large error are of what, nobody can tell."""
        return self.unit == "ratio" and abs(self.step) >= STEP_FOR_CAUSE

    @property
    def step_text(self) -> str:
        """As it stands in a sentence about before and now."""
        return self.text if self.large else f"{self.text} compared with before"

    @property
    def about(self) -> str:
        """What is wrong by it, without figures."""
        if self.unit == "ratio":
            return ", ".join(self.points)
        return f"{'losses' if self.kind == 'loss' else 'a load without a meter'} ({self.node})"

    @property
    def of_truth(self) -> str:
        """A ratio in words, where no baseline is compared with."""
        return f"{'/'.join(self.points) or self.node} reads {1 + self.step:.3f} of the true energy"


@dataclass(frozen=True, slots=True)
class Suspicion:
    """What the watch says of a change: `named` where the evidence is 20:1, else all `candidates` that fit.

    `change_ms` is the start of the day it began (best estimate), `found_ms` the end of the day it was found.
    `if_feed_right` is the best explanation with every feed taken as right, or empty. `correction` proposes how the
    stored figures could be corrected once the cause is confirmed, or is empty. `text` is short: who, how much, since when;
    `notes` say how sure that is and what cannot be seen.
    """

    kind: str
    found_ms: int
    change_ms: int
    days: int
    named: str | None
    candidates: tuple[Candidate, ...]
    if_feed_right: str
    explained: float
    text: str
    remedy: str
    false_alarms_per_year: float
    correction: str = ""
    notes: tuple[str, ...] = ()

    def as_dict(self) -> dict[str, object]:
        """For JSON: only text, numbers and lists."""
        return asdict(self)


def with_causes(suspicion: Suspicion, candidates: tuple[Candidate, ...], correction: str = "") -> Suspicion:
    """The same suspicion with steps and causes that were judged with more knowledge, in the list and in the words."""
    old, new, message = suspicion.candidates[0], candidates[0], suspicion.text
    was, now = (old.step_text, new.step_text) if old.step_text in message else (old.text, new.text)
    message = message.replace(was, now, 1).replace(old.of_truth, new.of_truth, 1)
    return replace(suspicion, candidates=candidates, text=message, correction=correction)


def with_begin(suspicion: Suspicion, from_ms: int, zone: str) -> Suspicion:
    """The same suspicion with a better date of its beginning, in the words too; a date after all its evidence is no better."""
    days = suspicion.days + math.ceil((suspicion.change_ms - from_ms) / DAY_MS)
    if days < 1:
        return suspicion
    before, after = since_words(suspicion.change_ms, suspicion.days, zone), since_words(from_ms, days, zone)
    if suspicion.kind != "gross":
        return replace(suspicion, change_ms=from_ms, days=days, text=suspicion.text.replace(before, after, 1))
    seen, day = f"seen on {day_of(suspicion.change_ms, ZoneInfo(zone))} ", day_of(from_ms, ZoneInfo(zone))
    message = suspicion.text if seen.endswith(f"{day} ") else suspicion.text.replace(seen, f"since {day}, {seen}", 1)
    return replace(suspicion, change_ms=from_ms, text=message)


def since_words(change_ms: int, days: int, zone: str) -> str:
    """Since when, and from how many days that is known."""
    return f"since {day_of(change_ms, ZoneInfo(zone))} ({days} day{'' if days == 1 else 's'} of evidence)"


def shortlist(tests: tuple[Hypothesis, ...], seen: Evidence, feeds: frozenset[str]) -> tuple[list[int], str]:
    """Hypotheses within 20:1 of the best, those too alike to it included, and the best with every feed right.

    While the evidence is thin the feeds are in the list too: a feed that creeps hides in what the baseline allows to every
    instrument, and what is left of it looks for weeks like a larger change of a small feeder.
    """
    order = sorted(range(len(tests)), key=lambda j: (-seen.T[j], j))
    best = order[0]
    thin = seen.T[best] < THIN
    stored = [
        j
        for j in order
        if _fits(seen, best, j)
        or _inseparable(tests[best], tests[j])
        or (thin and seen.step[j] != 0 and set(tests[j].points) & feeds)
    ]
    inside = [j for j in order if not (set(tests[j].points) & feeds)]
    if not inside or not (set(tests[best].points) & feeds):
        return stored, ""
    j = inside[0]
    drop = float(seen.T[best] - seen.T[j])
    fits = "" if drop < GAP else f", {odds_text(math.exp(min(drop / 2, 50.0)))} times less likely"
    return stored, f"if the feed is right: {candidate(tests[j], seen, j, best).text}{fits}"


def odds_text(odds: float) -> str:
    """How many times less likely, in a sentence.

    >>> odds_text(23.6), odds_text(5.18e21)
    ('24', 'more than 1000000')
    """
    return f"{odds:.0f}" if odds <= MOST_ODDS else f"more than {MOST_ODDS}"


def _fits(seen: Evidence, best: int, j: int) -> bool:
    near = seen.T[best] - seen.T[j] < GAP
    return bool(near or abs(seen.correlation[best, j]) > ALIKE)


def _inseparable(a: Hypothesis, b: Hypothesis) -> bool:
    """Standing load and loss of a node: a constant load and a standing loss are never distinguished."""
    return a.node == b.node and {a.kind, b.kind} <= {"standing", "loss"}


def _of_true(test: Hypothesis, step: float, error: float) -> tuple[float, float]:
    """The step of a ratio as indicated over true energy less 1, and its error.

    The fit is linear: true = indicated (1 - g), so indicated over true is 1 / (1 - g). A meter that reads a third has g = -2. For
    small steps both are the same.
    """
    if test.unit != "ratio" or abs(step) < STEP_FOR_CAUSE or step == 1.0:
        return step, error
    return step / (1 - step), min(error / (1 - step) ** 2, 1e9)


def candidate(test: Hypothesis, seen: Evidence, j: int, best: int) -> Candidate:
    """One row of the list."""
    step, error = _of_true(test, float(seen.step[j]), float(min(seen.error[j], 1e9)))
    causes: tuple[str, ...] = ()
    if test.unit == "ratio" and abs(step) >= STEP_FOR_CAUSE:
        causes = tuple(
            c.text for c in match((Observed(1 + step, error),), ct_ratio=test.ct_ratio, direct=test.direct)[:CAUSES]
        )
    return Candidate(
        hypothesis=test.name,
        kind=test.kind,
        points=test.points,
        node=test.node,
        step=step,
        step_error=error,
        unit=test.unit,
        statistic=float(seen.T[j]),
        odds=math.exp(min(max(float(seen.T[best] - seen.T[j]) / 2, 0.0), 700.0)),
        correlation=float(seen.correlation[best, j]),
        causes=causes,
    )


@dataclass(frozen=True, slots=True)
class Window:
    """When a change began, how many days of evidence there are, and what the watch knows of its own reliability."""

    found_ms: int
    change_ms: int
    days: int
    false_alarms_per_year: float
    explained: float  # share of all that is unusual that the best hypothesis explains
    zone: str = "UTC"  # of the day that is reported


def with_load_shape(fitted: tuple[Candidate, ...], looked: ShapeEvidence, least: float = GAP) -> tuple[Candidate, ...]:
    """The list with an unmetered load of any daily shape in its place, the best first.

    Ratios that follow their own fluctuations 20:1 leave no room for it; those that do so less, by `least` in 2 ln LR, are
    struck out. Where neither is seen the load comes first: nobody is sent to a meter on a toss.
    """
    best, odds = fitted[0], dict(zip((c.hypothesis for c in fitted), looked.odds.tolist(), strict=True))
    profile = looked.profiles.get(best.node)
    if odds[best.hypothesis] >= GAP or profile is None:
        return fitted
    load = shape_candidate(profile, max(best.statistic - odds[best.hypothesis], 0.0))
    left = [c for c in fitted if c.unit != "ratio" or odds[c.hypothesis] > -least]
    order = sorted([*left, load], key=lambda c: (-c.statistic - (c is load), c.hypothesis))
    top = order[0].statistic
    return tuple(
        replace(c, odds=math.exp(min((top - c.statistic) / 2, 700.0)))
        for c in order
        if top - c.statistic < GAP or top < THIN or best in left
    )


def shape_name(node: str) -> str:
    """Of the hypothesis of an unmetered load of any daily shape at a node."""
    return f"shape {node}"


def shape_candidate(profile: Profile, statistic: float) -> Candidate:
    """An unmetered load with the power that is missing, in the hours in which most is."""
    power, first, last = profile.peak
    return Candidate(
        hypothesis=shape_name(profile.node),
        kind="shape",
        points=(),
        node=profile.node,
        step=power,
        step_error=profile.error_kw,
        unit="kW",
        statistic=statistic,
        odds=1.0,
        correlation=0.0,
        hours=(first, last),
    )


def suspicion(
    tests: tuple[Hypothesis, ...],
    seen: Evidence,
    window: Window,
    *,
    feeds: frozenset[str],
    still: tuple[Candidate, ...] = (),
    judged: Judge | None = None,
) -> Suspicion:
    """The verdict on a window: a name or a list, in words a person can act on.

    Instruments that stand `still` come first; they have no odds against the rest, so nobody is named beside them. `judged`
    says of hypotheses and their steps whether they follow their own fluctuations.
    """
    stored, alternative = shortlist(tests, seen, feeds)
    fitted = tuple(candidate(tests[j], seen, j, stored[0]) for j in stored)
    if judged is not None and fitted[0].unit == "ratio":
        looked = judged(tuple(tests[j] for j in stored), seen.step[stored])
        fitted = with_load_shape(fitted, looked, GAP if window.days >= YOUNG_DAYS else YOUNG * GAP)
    still = tuple(replace(c, statistic=fitted[0].statistic) for c in still)
    listed = (*still, *(c for c in fitted if c.hypothesis not in {s.hypothesis for s in still}))
    named = listed[0].hypothesis if len(listed) == 1 else None
    return Suspicion(
        kind="drift",
        found_ms=window.found_ms,
        change_ms=window.change_ms,
        days=window.days,
        named=named,
        candidates=listed,
        if_feed_right=alternative,
        explained=window.explained,
        text=_text(listed, named, window),
        remedy=_remedy(listed, named),
        false_alarms_per_year=window.false_alarms_per_year,
        notes=_notes(named, window),
    )


def _text(listed: tuple[Candidate, ...], named: str | None, window: Window) -> str:
    since = since_words(window.change_ms, window.days, window.zone)
    if named is not None:
        return f"{listed[0].step_text}, {since}"
    return f"{first_of(len(listed))} {listed[0].text}, {since}"


def first_of(count: int) -> str:
    """What stands before the likeliest where nobody is named."""
    return f"{count} causes fit, the first:"


def _notes(named: str | None, window: Window) -> tuple[str, ...]:
    sure = (f"at least {ODDS:.0f} times as likely as any other cause",) if named is not None else ()
    more = "the best explanation covers less than half of what is unusual: more than one thing may have changed"
    return (*sure, *((more,) if window.explained < 0.5 else ()), NOT_OBSERVABLE)


def look_for_load(node: str) -> str:
    """The remedy where a load is more likely than any error of a meter."""
    return f"look for a load without a meter at {node}; {CAUTION}"


def _remedy(listed: tuple[Candidate, ...], named: str | None) -> str:
    best = listed[0]
    if best.unit == "kW":
        return look_for_load(best.node)
    who = ", ".join(best.points)
    if named is not None:
        return f"check the instrument of {who} against a reference meter; {CAUTION}"
    others = ", ".join(dict.fromkeys(p for c in listed[1:6] for p in c.points if p not in best.points))
    return f"check {who} first" + (f", then {others}" if others else "") + f"; {CAUTION}"
