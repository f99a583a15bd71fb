"""Errors in words: secrets are hidden wherever a server repeats them, and an unexpected one says where it came from."""

import pytest

from meterd.core.errors import (
    SHORTEST_SECRET,
    ConfigError,
    MeterdError,
    NotifyError,
    PublishError,
    SourceError,
    StoreError,
    StoreInUse,
    described,
    without,
)
from meterd.core.model.plan import Site


def test_every_error_of_ours_is_caught_as_one_kind() -> None:
    for kind in (ConfigError, SourceError, StoreError, StoreInUse, PublishError):
        assert issubclass(kind, MeterdError)
        assert str(kind("why")) == "why"
    assert issubclass(StoreInUse, StoreError)
    assert NotifyError("later").again
    assert not NotifyError("never", again=False).again


@pytest.mark.parametrize(
    ("text", "secrets", "shown"),
    [
        ("user ada, password hunter22", ("hunter22",), "user ada, password ***"),
        (
            "token tok-1 and tok-12",
            ("tok-1", "tok-12"),
            "token *** and ***",
        ),  # the longer one first, or half of it stays
        ("Basic abcd1234", ("Basic abcd1234",), "***"),
        ("abc is short", ("abc",), "abc is short"),
        ("nothing to hide", ("",), "nothing to hide"),
    ],
)
def test_secrets_are_hidden_whole_and_word_by_word(text: str, secrets: tuple[str, ...], shown: str) -> None:
    assert without(text, *secrets) == shown


def test_a_secret_of_the_shortest_length_is_hidden() -> None:
    assert without(f"it is {'x' * SHORTEST_SECRET}", "x" * SHORTEST_SECRET) == "it is ***"


def test_an_unexpected_error_names_kind_words_and_the_last_place_in_this_program() -> None:
    with pytest.raises(KeyError) as caught:
        Site("mill", "UTC").point("q99")
    text = described(caught.value)
    assert text.startswith("KeyError: 'q99' at meterd.core.model.plan:")
    assert int(text.rpartition(":")[2]) > 0


def test_words_of_others_become_one_short_line_and_may_be_missing() -> None:
    assert described(ValueError("two\n  lines")) == "ValueError: two lines"
    assert described(ValueError()) == "ValueError"
    assert len(described(ValueError("x" * 1000))) < 320
