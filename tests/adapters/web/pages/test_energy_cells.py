"""The cells of the table of energies say what each figure is, and lead to what made it."""

from meterd.adapters.web.number_column import number_column
from meterd.adapters.web.pages.energy_cells import cells_of
from meterd.adapters.web.pages.energy_values import EnergyView, SeriesLine

WHY = "/why?point=q<1&period={step}&start={start}&end={end}"


def test_each_kind_of_figure_has_its_cell() -> None:
    """Missing; to its cause; part of its step and so without a cause; estimated; of a sum that is restricted."""
    lines = [
        SeriesLine.model_construct(
            key="point:q", title="", kind="point", values=[None, 12_000_000, 3_000_000, -5_000_000], estimated=[0, 3],
            partial=[2], why=WHY,
        ),
        SeriesLine.model_construct(
            key="others", title="2", kind="others", values=[0, 1, 2, 99_000_000], estimated=[3], partial=[], why=""
        ),
    ]  # fmt: skip
    view = EnergyView.model_construct(drawn=lines, edges=[0, 10, 20, 30, 40], step="day")
    column = number_column([99_000_000], "de")
    cells = cells_of(view, column, "de", "/mill")
    missing, of_nothing = cells(0).split("</td>")[:2]
    assert missing == '<td class="n"><span class="figure missing">fehlt</span>'
    assert of_nothing == '<td class="n"><span class="figure">0,0</span>'
    link = "/mill/why?point=q&lt;1&amp;period=day&amp;start=10&amp;end=20"
    assert cells(1).split("</td>")[0] == (
        f'<td class="n"><a class="figure why" href="{link}" title="Woher kommt diese Zahl?">12,0</a>'
    )
    assert cells(2).split("</td>")[0] == '<td class="n"><span class="figure">3,0</span>'
    both = cells(3).split("</td>")
    mark = ' <span class="mark estimated"><span class="unseen">geschätzt</span></span>'
    assert [both[0].endswith(mark), both[1]] == [True, f'<td class="n"><span class="figure">99,0</span>{mark}']
    assert ">−5,0</a>" in both[0]
    assert both[2] == ""
