"""Where a meter tells its own current transformer ratio: does it agree with the plan? Pure; findings out.

The ratio is read like any register: 0.4.2 is its numerator (primary current) and 0.4.5 its denominator (secondary current; 1
where it is not read) in the codes of IEC 62056-6-1. What a meter is set to decides what it counts, so a difference is a wrong
figure in one of two places, and only the rating plate of the transformers says in which.
"""

from collections.abc import Iterable, Mapping
from fractions import Fraction

from meterd.core.checks.proposed_correction import energies_evidence
from meterd.core.model.finding import Finding
from meterd.core.model.periods import text
from meterd.core.model.plan import Instrument, Site
from meterd.core.model.reading import CT_PRIMARY, CT_SECONDARY, REGISTERS
from meterd.core.model.results import Channel
from meterd.core.model.snapshot import Now

TOLERANCE = 1e-3  # a ratio kept as float32 or with three digits is the same ratio
DIFFERENT = "ct-ratio"


def ratio_findings(site: Site, instant: Mapping[Channel, Now], now_ms: int) -> list[Finding]:
    """One finding for each live point whose meter is set to another ratio than the plan has for it now."""
    findings = []
    for point in site.points:
        primary = instant.get((point.name, CT_PRIMARY))
        fitted = instrument_at(site.instruments_of(point.name), now_ms)
        if primary is None or fitted is None or not point.counts:
            continue
        if primary.at_ms < fitted.from_ms:
            continue  # of the meter that was there before
        secondary = instant.get((point.name, CT_SECONDARY))
        finding = _difference(site, fitted, primary, secondary)
        if finding is not None:
            findings.append(finding)
    return findings


def instrument_at(instruments: Iterable[Instrument], at_ms: int) -> Instrument | None:
    """The instrument that is fitted at a moment."""
    for instrument in instruments:
        if instrument.from_ms <= at_ms and (instrument.until_ms is None or at_ms < instrument.until_ms):
            return instrument
    return None


def _difference(site: Site, fitted: Instrument, primary: Now, secondary: Now | None) -> Finding | None:
    below = 1.0 if secondary is None else secondary.value
    if primary.value <= 0 or below <= 0:
        return _nonsense(fitted.point, primary.value, below, primary.at_ms)
    reported = primary.value / below
    planned = float(fitted.ct_ratio or Fraction(1))
    # a meter whose registers stand for the secondary side may name the transformers, or 1 for "none applied"
    counted_by_plan = any(r.per_ct for r in site.inputs if r.point == fitted.point and REGISTERS[r.register].cumulative)
    right = (planned, 1.0) if counted_by_plan else (planned,)
    if any(abs(reported / item - 1) <= TOLERANCE for item in right):
        return None
    name, meter = fitted.point, _ratio(primary.value, below)
    plan = "direct connection" if fitted.ct_ratio is None else _ratio(fitted.ct_primary_a, fitted.ct_secondary_a)
    effect = (
        f"the plan multiplies by {planned:g}, the meter by its own ratio as well or not at all"
        if counted_by_plan
        else f"if the plan is right its energies are read as {reported / planned:.4g} of the truth"
    )
    return Finding(
        DIFFERENT, name, primary.at_ms,
        f"{name}: the plan has current transformers {plan}, the meter says {meter} (at {text(primary.at_ms)})",
        f"the rating plate of the transformers decides: if it says {plan} have the meter set to it; if it says {meter}"
        " enter that as ct_ratio in instruments.csv; either way correct the energies since the meter was fitted (meterd correct)",
        (name,), (effect,) if counted_by_plan else (
            effect, energies_evidence(site, name, planned / reported, f"the plate says {plan}, the meter was set to {meter}"),
        ),
    )  # fmt: skip


def _nonsense(point: str, primary: float, secondary: float, at_ms: int) -> Finding:
    return Finding(
        DIFFERENT, point, at_ms,
        f"{point}: the meter says its current transformers are {_ratio(primary, secondary)}, which cannot be",
        "look at register, type and word order of 0.4.2 and 0.4.5 with meterd probe, and at the settings of the meter",
        (point,),
    )  # fmt: skip


def _ratio(primary: float | None, secondary: float | None) -> str:
    assert primary is not None, "the caller has looked"
    assert secondary is not None, "the caller has looked"
    return f"{primary:g}/{secondary:g}"
