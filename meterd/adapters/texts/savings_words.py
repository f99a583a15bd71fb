"""A saving in words: page, command and report say the same of it."""

from dataclasses import dataclass
from zoneinfo import ZoneInfo

from meterd.adapters.texts import wording
from meterd.core.energy.energy_items import EnergyItem, ItemKind
from meterd.core.model.plan import Site
from meterd.core.savings.baseline import Baseline, Term
from meterd.core.savings.savings import LEAST_R2, MOST_CV, STEADY_CV, Outcome, Savings, formula, remarks
from meterd.core.unusual.days import COOLING_ABOVE_C, HEATING_BELOW_C

MWH_PER_WH = 1000


@dataclass(frozen=True, slots=True)
class SavingsWords:
    """The answer in one sentence, what it rests on as pairs of label and value, and what has to be known with it."""

    headline: str
    facts: tuple[tuple[str, str], ...]
    remarks: tuple[str, ...]


def savings_words(language: str, answer: Savings, site: Site) -> SavingsWords:
    """All that is said of an answer, without its days."""

    def energy(mwh: int | None) -> str:
        return wording.energy(language, mwh, (answer.expected, answer.measured))

    def say(key: str, **values: object) -> str:
        return wording.say(language, f"savings.{key}", **values)

    saved = abs(answer.saved or 0) if answer.outcome is Outcome.MORE else answer.saved
    part = None if answer.part is None else abs(answer.part)
    head = say(
        answer.outcome,
        title=title_of(answer.question.item, site),
        saved=energy(saved),
        band=energy(answer.band),
        part=wording.percent(language, part),
    )
    facts = [
        (say("baseline"), _days(language, answer.question.baseline_ms, answer.baseline_known, answer.baseline_of, site))
    ]
    if answer.baseline is not None:
        facts += [(say("formula"), _formula(language, answer.baseline)), (say("fit"), _fit(language, answer.baseline))]
    if answer.days:
        span = (answer.days[0].start_ms, answer.days[-1].start_ms + 1)
        facts.append((say("reporting"), _days(language, span, answer.known, len(answer.days), site)))
    if answer.saved is not None:
        facts += [
            (say("expected"), energy(answer.expected)),
            (say("measured"), energy(answer.measured)),
            (say("difference"), say("difference_is", saved=energy(answer.saved), band=energy(answer.band))),
        ]
    notes = [say(key, **values) for key, values in remarks(answer)]
    if answer.outcome is Outcome.NO_FIT:
        notes.insert(0, say("cv_limit", limit=wording.percent(language, MOST_CV, 0)))
    if answer.outcome is Outcome.EXPLAINS_LITTLE:
        limits = {"limit": wording.number(language, LEAST_R2, 1), "steady": wording.percent(language, STEADY_CV, 0)}
        notes.insert(0, say("r2_limit", **limits))
    return SavingsWords(head, tuple(facts), tuple(notes))


def title_of(item: EnergyItem, site: Site) -> str:
    """What people call the point, the board or the site."""
    return site.title or site.name if item.kind is ItemKind.SITE else item.title or item.name


def _days(language: str, span: tuple[int, int], known: int, of: int, site: Site) -> str:
    zone = ZoneInfo(site.zone)
    first, last = (wording.day(language, at, zone) for at in (span[0], span[1] - 1))
    return wording.say(language, "savings.days", first=first, last=last, known=known, of=of)


def _formula(language: str, baseline: Baseline) -> str:
    text = ""
    for item in formula(baseline):
        energy = wording.energy(language, round(abs(item.wh) * MWH_PER_WH))
        heating, cooling = (wording.number(language, at) for at in (HEATING_BELOW_C, COOLING_ABOVE_C))
        sign = f" {wording.MINUS} " if item.wh < 0 else " + "
        text += sign + wording.say(
            language, f"savings.term_{item.term}", energy=energy, heating=heating, cooling=cooling
        )
    return text.removeprefix(" + ").strip()


def _fit(language: str, baseline: Baseline) -> str:
    known = baseline.fit.r2 is not None and baseline.terms != (Term.CONSTANT,)
    r2 = wording.number(language, baseline.fit.r2 or 0, 2) if known else wording.say(language, "word.undefined")
    cv = wording.percent(language, baseline.cv)
    return wording.say(language, "savings.fit_is", r2=r2, cv=cv)
