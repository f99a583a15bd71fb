"""What is said of a saving in both languages, for each way it can come out."""

from dataclasses import replace

import pytest

from meterd.adapters.texts.savings_words import savings_words
from meterd.core.energy.energy_items import EnergyItem, ItemKind
from meterd.core.savings.savings import Outcome, Savings, SavingsQuestion
from tests.core.savings.test_savings import FIRST, SITE, asked, course


@pytest.mark.parametrize("language", ["en", "de"])
def test_each_outcome_has_its_words(language: str) -> None:
    """Nothing but a saving or more use is called one, and no place of a text is left empty."""
    answer = asked(course(1))
    for outcome in Outcome:
        text = savings_words(language, replace(answer, outcome=outcome), SITE)
        reported = {"en": "no saving is shown", "de": "keine Einsparung nachgewiesen"}[language] in text.headline
        assert reported == (outcome not in (Outcome.SAVED, Outcome.MORE))
        assert "{" not in " ".join([text.headline, *text.remarks, *(part for pair in text.facts for part in pair)])


def test_figures_are_written_as_the_reader_writes_them() -> None:
    """More use is no negative saving; the formula has the sign between its terms."""
    energy = course(1)
    energy[366:] *= 1.1
    text = savings_words("de", asked(energy), SITE)
    assert text.headline.startswith("oven hat ")
    assert "−" not in text.headline
    assert text.headline.endswith(" %)")
    assert "mehr verbraucht als erwartet (" in text.headline
    facts = dict(text.facts)
    assert "366 von 366 Tagen verwendet" in facts["Ausgangsbasis"]
    assert " − 6" in facts["Energie eines Tages"]
    assert "an Samstagen und Sonntagen" in facts["Energie eines Tages"]


def test_the_terms_of_a_difference_have_one_unit_and_one_day_is_no_plural() -> None:
    """Found by looking: 194.4 MWh less 192.5 MWh are 1,897 kWh, and 1 days are not compared."""
    answer = replace(
        asked(course(1)), expected=194_400_000_000, measured=192_503_000_000, saved=1_897_000_000, unlike=1
    )
    text = savings_words("en", answer, SITE)
    facts = dict(text.facts)
    assert (facts["Expected by the baseline"], facts["Measured"]) == ("194.4 MWh", "192.5 MWh")
    assert facts["Expected less measured"].startswith("1.90 MWh ± ")
    assert [line for line in text.remarks if line.startswith("Days that are not compared: 1.")]


def test_limits_are_said_where_they_decide() -> None:
    """As the reader writes them."""
    answer = replace(asked(course(1)), outcome=Outcome.EXPLAINS_LITTLE)
    text = savings_words("de", answer, SITE)
    assert text.headline == "oven: keine Einsparung nachgewiesen, die Ausgangsbasis erklärt zu wenig"
    assert "unter 0,5 wird keine Einsparung gezeigt, außer die Tage streuen um höchstens 10 %" in text.remarks[0]


def test_without_days_there_is_nothing_but_the_reason() -> None:
    """Of the site, which is called by its title."""
    question = SavingsQuestion(EnergyItem(ItemKind.SITE, "consumption"), (FIRST, FIRST + 1), (FIRST + 1, FIRST + 2))
    answer = Savings(question, Outcome.TOO_FEW, None, 0, 1, days=(), known=1, estimated=0, unlike=0)
    text = savings_words("en", answer, replace(SITE, title="Harrow Mill"))
    assert text.headline == "Harrow Mill: no saving is shown, too few days of the baseline can be used"
    assert [name for name, _ in text.facts] == ["Baseline"]
