"""Registers that count backwards, by their readings of quarter hours."""

import pytest

from meterd.core.checks.register_samples import SLOT_MS, RegisterSamples
from meterd.core.checks.register_scale import Fall
from meterd.core.model.reading import IMPORT, Reading

CHANNEL = ("q01", IMPORT)


@pytest.mark.parametrize(
    ("shown", "fall"),
    [
        ([9, 8, 7, 6, 5], Fall(4, 4_000)),
        ([9, 8, 8, 7, 6, 6, 5], Fall(4, 4_000)),  # it stands while nothing flows
        ([2, 9, 8, 7, 6, 5], Fall(4, 4_000)),  # since it last rose
        ([9, 8, 7, 6], None),
        ([9, 8, 7, 6, 5, 6], None),  # mended
        ([5, 6, 7, 0, 1, 2], None),  # a reset
        ([7], None),
    ],
)
def test_a_register_counts_backwards_once_it_fell_four_times_and_never_rose(
    shown: list[int], fall: Fall | None
) -> None:
    samples = RegisterSamples([CHANNEL])
    samples.take(Reading(*CHANNEL, at_ms=i * SLOT_MS, value=raw, received_ms=0) for i, raw in enumerate(shown))
    assert samples.falls({CHANNEL: 1_000.0}) == ({} if fall is None else {CHANNEL: fall})
