"""Slips in the form are reported at their field, and nothing that was written is lost."""

from dataclasses import replace
from pathlib import Path

import pytest

from meterd.adapters.store.journal import SqliteStore
from meterd.adapters.web.corrections import correction_page as change
from meterd.adapters.web.corrections.fields import WrongError, moment_of
from meterd.adapters.web.request_context import RequestContext
from tests.adapters.web.corrections.correction_requests import ADA, HOUR, WISH, asked, three_hours
from tests.adapters.web.request_contexts import BEGIN, shot


@pytest.mark.parametrize(
    ("field", "message", "fault", "german"),
    [
        ("point", "q77", "point", "keine Messstelle q77"),
        ("point", "", "missing", "Feld ist nötig"),
        ("register", "power", "register", "Er liest: import, export, reactive-import"),
        ("from", "yesterday", "moment", "keine gültige Zeit"),
        ("from", "2026-02-30", "moment", "keine gültige Zeit"),
        ("from", "31.13.2025", "moment", "„31.13.2025“ ist keine gültige Zeit. Bitte 29.03.2026, "),
        ("from", "0026-02-03", "moment", "keine gültige Zeit"),
        ("from", "2026-10-25 02:30", "twice", "zweimal oder gar nicht"),
        ("until", "2026-05-04 13:00", "not_after", "nicht nach dem Beginn"),
        ("factor", "1,250", "two_readings", "kann 1250 oder 1.250 sein"),
        ("factor", "1,2,5", "factor", "Verhältnis"),
        ("factor", "1", "factor", "nicht 1"),
        ("factor", "1/0", "factor", "Verhältnis"),
        ("reason", "  ", "missing", "Feld ist nötig"),
        ("reason", "x" * 501, "long", "501 Zeichen"),
        ("reason", "a\nb", "line_break", "Zeilenumbruch"),
    ],
)
def test_each_slip_is_reported_at_its_field_and_nothing_is_lost(
    field: str, message: str, fault: str, german: str, one_context: RequestContext
) -> None:
    """In the language of the viewer; every field is there as it was written; nothing is worked out."""
    view = change.view(one_context, replace(ADA, language="de"), shot(one_context), asked(**{field: message}))
    assert [(fault.field, fault.fault) for fault in view.faults] == [(field, fault)]
    assert german in view.faults[0].text
    assert view.written == {**WISH, field: message}
    assert (view.wanted, view.preview) == (None, None)


@pytest.mark.slow  # a child process works the preview out
def test_a_date_day_first_and_a_decimal_comma_are_stored_as_the_program_writes_them(tmp_path: Path) -> None:
    wish = asked(**{"from": "04.05.2026 13:00", "until": "5.5.2026", "factor": "1,05"})
    wanted = change.view(three_hours(tmp_path / "s.sqlite"), ADA, shot(three_hours(tmp_path / "t.sqlite")), wish).wanted
    assert wanted is not None
    assert (wanted.factor, wanted.from_ms, wanted.until_ms) == ("1.05", BEGIN + HOUR, BEGIN + 12 * HOUR)


@pytest.fixture(scope="module")
def one_context(tmp_path_factory: pytest.TempPathFactory) -> RequestContext:
    """A store that is only read."""
    return three_hours(tmp_path_factory.mktemp("change") / "s.sqlite")


def test_moments_are_those_of_the_command(one_context: RequestContext) -> None:
    """Years, months and dates begin where they begin on site; local times besides."""
    from meterd.app.operations.question import moment

    zone = one_context.zone()
    for text in ("2026", "2026-03", "2026-03-29", "2026-03-29T10:00:00Z", "2026-03-29T10:00:00+02:00"):
        assert moment_of(text, zone) == moment(text, zone, "--from")
    assert moment_of(" 2026-03-29 10:00 ", zone) == moment("2026-03-29T10:00:00+02:00", zone, "--from")
    for text in ("2026-W13", "20260329", "2026-3-29", "2026-13", "2026-03-29T25:00", "nan"):
        with pytest.raises(WrongError):
            moment_of(text, zone)


def test_figures_that_are_final_cannot_be_corrected(tmp_path: Path) -> None:
    """Their readings have left the journal; reported at the field, with the moment since which they can."""
    path = tmp_path / "s.sqlite"
    context = three_hours(path)
    store = SqliteStore.writer(path)
    with store.transaction():
        store.set_fact("figures_from_ms", str(BEGIN + 2 * HOUR))
    store.close()
    view = change.view(context, ADA, shot(context), asked())
    assert [(fault.field, fault.fault) for fault in view.faults] == [("from", "final")]
    assert "before 2026-05-04 14:00 are final" in view.faults[0].text
