"""A preview in the words of the reader."""

from pathlib import Path

import pytest

from meterd.adapters.web.corrections import preview_text
from tests.adapters.web.corrections.correction_requests import asked, seen, three_hours
from tests.adapters.web.request_contexts import SITE


@pytest.mark.slow  # a child process works it out
def test_people_read_it_in_their_language(tmp_path: Path) -> None:
    """What stands behind a name, verdicts and numbers; kWh with the difference."""
    context = three_hours(tmp_path / "s.sqlite")
    view = seen(context, asked())
    german = [
        (item.what, item.subject, item.before, item.after, item.difference)
        for item in preview_text.change_texts(view, SITE, "de")["figures"]  # type: ignore[attr-defined]
    ]
    assert german[0] == ("Energie", "Ovens: Bezug", "12,00 kWh", "13,00 kWh", "+1,00 kWh")
    assert ("Bilanz", "Main distribution: Urteil", "im Band", "außerhalb des Bandes", "") in german
    assert ("Bilanz", "Main distribution: Intervalle außerhalb des Bandes", "0 von 12", "4 von 12", "") in german
