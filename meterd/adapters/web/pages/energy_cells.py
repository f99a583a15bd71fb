"""The cells of the table of energies: a year by days is three thousand, which a template makes in four times the time."""

from collections.abc import Callable

from markupsafe import Markup, escape

from meterd.adapters.texts import wording
from meterd.adapters.web.number_column import NumberColumn
from meterd.adapters.web.pages.energy_values import EnergyView, SeriesLine


def cells_of(view: EnergyView, column: NumberColumn, language: str, root: str) -> Callable[[int], Markup]:
    """What makes the cells of one step, a line each, as the parts of other tables look."""
    # plain texts of what is safe: a text added to a Markup would be escaped
    absent, guessed, title = (
        str(escape(wording.say(language, key))) for key in ("word.missing", "state.estimated", "word.why")
    )
    missing = f'<span class="figure missing">{absent}</span>'
    estimated = f' <span class="mark estimated"><span class="unseen">{guessed}</span></span>'
    marks = [(frozenset(line.partial), frozenset(line.estimated)) for line in view.drawn]

    def cell(line: SeriesLine, partial: frozenset[int], marked: frozenset[int], i: int) -> str:
        value = line.values[i]
        if value is None:
            return missing
        text = escape(column.words(value))
        if line.why and i not in partial:
            link = escape(root + line.why.format(step=view.step, start=view.edges[i], end=view.edges[i + 1]))
            shown = f'<a class="figure why" href="{link}" title="{title}">{text}</a>'
        else:
            shown = f'<span class="figure">{text}</span>'
        return shown + estimated if i in marked else shown

    def cells(i: int) -> Markup:
        made = [cell(line, *mark, i) for line, mark in zip(view.drawn, marks, strict=True)]
        return Markup("".join([f'<td class="n">{item}</td>' for item in made]))

    return cells
