"""What a correction would change in words: the same figures as for programs, in the language of the viewer, in kWh."""

from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

from meterd.adapters.texts import wording
from meterd.adapters.web.corrections.correction_page import ChangeView, FigureChange
from meterd.adapters.web.number_column import NumberColumn, number_column
from meterd.core.model.periods import to_ms
from meterd.core.model.plan import Site


@dataclass(frozen=True, slots=True)
class ChangeText:
    """A figure in words: what it is, its period, whose; before, after, and the difference where there is one."""

    what: str
    period: str
    subject: str
    before: str
    after: str
    difference: str


def change_texts(view: ChangeView, site: Site, language: str) -> dict[str, object]:
    """What only people see."""
    figures = [] if view.preview is None else view.preview.figures
    energies = [value for item in figures for value in (item.before, item.after) if isinstance(value, int)]
    column = number_column(energies, language, fine=True)
    return {"figures": [_change_text(figure_change, site, language, column) for figure_change in figures]}


def _change_text(figure_change: FigureChange, site: Site, language: str, column: NumberColumn) -> ChangeText:
    difference = ""
    if isinstance(figure_change.before, int) and isinstance(figure_change.after, int):
        moved = figure_change.after - figure_change.before
        difference = f"{'+' if moved > 0 else ''}{column.words(moved)} {column.unit}"
    return ChangeText(
        what=wording.say(language, f"change.what_{figure_change.what}"),
        period=_period(figure_change, ZoneInfo(site.zone), language),
        subject=_subject(figure_change, site, language),
        before=_value(figure_change.before, language, column),
        after=_value(figure_change.after, language, column),
        difference=difference,
    )


def _period(figure_change: FigureChange, zone: ZoneInfo, language: str) -> str:
    """Months and years as they are written; the period of a finding is its first moment."""
    if figure_change.what != "finding":
        return wording.month_words(language, figure_change.period)
    return wording.moment(language, to_ms(datetime.fromisoformat(figure_change.period)), zone)


def _subject(figure_change: FigureChange, site: Site, language: str) -> str:
    """Names by their titles; what stands behind them is said in the language where the catalogue knows it."""
    if figure_change.what in ("pv", "pv-shares"):
        return _word(figure_change.subject, language)
    name, space, rest = figure_change.subject.partition(" ")
    if figure_change.what not in ("energy", "balance") or not space:
        return figure_change.subject
    text, comma, note = rest.partition(", ")
    return f"{wording.titles_of(site).get(name, name)}: {_word(text, language)}{comma}{_note(note, language)}"


def _note(note: str, language: str) -> str:
    """`5 of 96 intervals known`, of an energy that has gaps."""
    parts = note.split()
    if parts[3:] != ["intervals", "known"]:
        return note
    return wording.say(language, "change.known", known=_count(parts[0], language), all=_count(parts[2], language))


def _count(digits: str, language: str) -> str:
    return wording.number(language, int(digits)) if digits.isdigit() else digits


def _value(value: int | str | None, language: str, column: NumberColumn) -> str:
    if isinstance(value, int):
        return f"{column.words(value)} {column.unit}"
    if value is None:
        return wording.energy(language, None)
    few, of, many = value.partition(" of ")
    if of and few.isdigit() and many.isdigit():
        return f"{_count(few, language)} {wording.say(language, 'word.of')} {_count(many, language)}"
    return _word(value, language)


def _word(text: str, language: str) -> str:
    """A verdict, the state of a finding, or a word of these lists; a name that the catalogue does not know as it is."""
    for key in (f"verdict.{text}", f"state.{text}", f"change.word_{text.replace(' ', '_')}"):
        if wording.has(language, key):
            return wording.say(language, key)
    return text
