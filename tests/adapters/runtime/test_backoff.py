"""The wait after failures in a row: doubled, bounded, and not the same for all who failed together."""

import pytest

from meterd.adapters.runtime.backoff import backoff_s


@pytest.mark.parametrize(
    ("failures", "seconds"), [(0, 2.0), (1, 2.0), (2, 4.0), (3, 8.0), (6, 60.0), (7, 60.0), (10_000, 60.0)]
)
def test_the_wait_doubles_up_to_its_limit(failures: int, seconds: float) -> None:
    """Also after so many failures that a power of two would be no number any more."""
    assert backoff_s(failures, first_s=2.0, most_s=60.0) == seconds


def test_without_a_limit_it_stays_finite() -> None:
    """2^20 times the first wait."""
    assert backoff_s(5_000, first_s=0.5) == 0.5 * 2**20


def test_those_who_failed_together_do_not_come_back_together() -> None:
    """Within the parts of the wait that were given, and not all at one end."""
    waits = [backoff_s(3, first_s=1.0, most_s=30.0, spread=(0.5, 1.0)) for _ in range(500)]
    assert 2.0 <= min(waits) < 2.3
    assert 3.7 < max(waits) <= 4.0
