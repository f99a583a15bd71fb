"""What a correction would change in words: the same figures as for programs, in the language of the viewer, in kWh."""

from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

from meterd.interval import to_ms
from meterd.page import wording
from meterd.page.change import ChangeView, FigureChange
from meterd.site import Site


@dataclass(frozen=True, slots=True)
class Told:
    """A figure in words: what it is, its period, whose; before, after, and the difference where there is one."""

    what: str
    period: str
    subject: str
    before: str
    after: str
    difference: str


def told(view: ChangeView, site: Site, language: str) -> dict[str, object]:
    """What only people see."""
    figures = [] if view.preview is None else view.preview.figures
    return {"figures": [_told(one, ZoneInfo(site.zone), language) for one in figures]}


def _told(one: FigureChange, zone: ZoneInfo, language: str) -> Told:
    difference = ""
    if isinstance(one.before, int) and isinstance(one.after, int):
        moved = one.after - one.before
        difference = f"{'+' if moved > 0 else ''}{wording.energy(language, moved)}"
    return Told(
        what=wording.say(language, f"change.what_{one.what}"),
        period=_period(one, zone, language),
        subject=_subject(one, language),
        before=_value(one.before, language),
        after=_value(one.after, language),
        difference=difference,
    )


def _period(one: FigureChange, zone: ZoneInfo, language: str) -> str:
    """Months and years as they are written; the period of a finding is its first moment."""
    if one.what != "finding":
        return one.period
    return wording.moment(language, to_ms(datetime.fromisoformat(one.period)), zone)


def _subject(one: FigureChange, language: str) -> str:
    """Names stay as they are; what stands behind them is said in the language where the catalogue knows it."""
    if one.what in ("pv", "pv-shares"):
        return _word(one.subject, language)
    name, space, rest = one.subject.partition(" ")
    if one.what not in ("energy", "balance") or not space:
        return one.subject
    words, comma, note = rest.partition(", ")
    return f"{name}: {_word(words, language)}{comma}{_note(note, language)}"


def _note(note: str, language: str) -> str:
    """`5 of 96 intervals known`, of an energy that has gaps."""
    words = note.split()
    if words[3:] != ["intervals", "known"]:
        return note
    return wording.say(language, "change.known", known=words[0], all=words[2])


def _value(value: int | str | None, language: str) -> str:
    if not isinstance(value, str):
        return wording.energy(language, value)
    few, of, many = value.partition(" of ")
    if of and few.isdigit() and many.isdigit():
        return f"{few} {wording.say(language, 'word.of')} {many}"
    return _word(value, language)


def _word(words: str, language: str) -> str:
    """A verdict, the state of a finding, or a word of these lists; a name that the catalogue does not know as it is."""
    for key in (f"verdict.{words}", f"state.{words}", f"change.word_{words.replace(' ', '_')}"):
        if wording.has(language, key):
            return wording.say(language, key)
    return words
