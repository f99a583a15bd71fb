"""Refusals are counted per input and kept small; samples of payloads are printable whatever came."""

from hypothesis import given
from hypothesis import strategies as st

from meterd.adapters.sources import INPUTS_LIMIT, RefusalLog, sample
from meterd.core.model.reading import Refusal


def test_last_refusal_of_each_input_is_kept_and_all_are_counted() -> None:
    log = RefusalLog()
    log.add(
        (
            Refusal("q01", "1.8.0", "first", "a"),
            Refusal("q01", "1.8.0", "second", "b"),
            Refusal("q02", "1.8.0", "x", ""),
        )
    )
    refused = log.snapshot()[("q01", "1.8.0")]
    assert (refused.count, refused.reason, refused.sample) == (2, "second", "b")
    assert log.total() == 3


def test_number_of_inputs_is_bounded() -> None:
    log = RefusalLog()
    log.add([Refusal(f"q{number}", "1.8.0", "x", "") for number in range(INPUTS_LIMIT + 5)])
    assert len(log.snapshot()) == INPUTS_LIMIT
    assert log.total() == INPUTS_LIMIT + 5


@given(st.binary(max_size=500) | st.text(max_size=500))
def test_sample_is_short_printable_ascii(payload: bytes | str) -> None:
    shown = sample(payload)
    assert len(shown) <= 200
    assert shown.isascii()
    assert shown.isprintable()
