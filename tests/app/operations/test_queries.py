"""Figures of a store as people and programs ask for them, through the command line."""

import pytest

from meterd.app.operations.queries import parse_span
from meterd.core.errors import ConfigError
from meterd.core.model.periods import Period, text
from meterd.core.model.plan import Site
from tests.app.commands import CONFIG, run


@pytest.mark.parametrize(
    ("texts", "code", "expected"),
    [
        (["energy", "small.toml", "--point", "nope"], 2, "the plan has no point nope"),
        (["balance", "small.toml", "--board", "nope"], 2, "the plan has no board nope; it has main"),
        (["energy", "small.toml", "--store", "nowhere.sqlite"], 1, "there is no store at nowhere.sqlite"),
        (["check", "nowhere"], 2, "there is no such plan"),
        (["replay", "small.toml", "x.csv"], 2, "give a place for the result"),
        (["replay", "small.toml", "x.csv", "--out", "y", "--source", "z"], 2, "the plan has no source z"),
        (["replay", "small.toml", "x.csv", "--out", "y", "--map", "a=b"], 2, "write COLUMN=POINT:REGISTER"),
        (["demo", "--for", "soon"], 2, "write a time such as 60s"),
    ],
)
def test_error_says_what_would_be_right(
    capsys: pytest.CaptureFixture[str], texts: list[str], code: int, expected: str
) -> None:
    """Every refusal is one line on standard error with the right exit code."""
    texts = [str(CONFIG / w) if w == "small.toml" else w for w in texts]
    got, out, err = run(capsys, *texts)
    assert (got, out) == (code, "")
    assert expected in err


@pytest.mark.parametrize(
    ("message", "start"),
    [
        ("2026", "2025-12-31T23:00:00Z"),
        ("2026-03", "2026-02-28T23:00:00Z"),
        ("2026-03-30", "2026-03-29T22:00:00Z"),
        ("2026-03-29T10:00:00Z", "2026-03-28T23:00:00Z"),
    ],
)
def test_from_is_read_as_a_person_writes_it(message: str, start: str) -> None:
    """Years, months and dates are local; the span begins with a whole period."""
    site = Site("s", "Europe/Vienna")
    assert text(parse_span((message, "2027"), Period.DAY, site, None, 0).from_ms) == start


@pytest.mark.parametrize("message", ["yesterday", "2026-13", "2026-02-30", "2026-03-29T10:00:00", "20260329"])
def test_from_that_cannot_be_read_is_refused(message: str) -> None:
    """The message shows the forms that can be."""
    with pytest.raises(ConfigError, match=r"write 2026, 2026-03, 2026-03-29, 29\.03\.2026 or 2026-03-29T10:00:00Z"):
        parse_span((message, None), Period.DAY, Site("s", "Europe/Vienna"), None, 0)
