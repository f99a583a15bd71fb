"""The newest value of a register as a sample of rounds."""

import pytest

from meterd.core.model.rounds import Trace
from meterd.core.model.snapshot import Now


@pytest.mark.parametrize(
    ("now", "trace"),
    [
        (Now(5.0, 1000), ((1000, 5.0),)),
        (Now(5.0, 1000, samples=((900, 4.0), (1000, 5.0))), ((900, 4.0), (1000, 5.0))),
        (Now(5.0, 1000, old=True), ()),
    ],
    ids=["one value", "several", "retained by the broker: no sample of now"],
)
def test_a_value_without_samples_is_its_own_sample_unless_it_is_old(now: Now, trace: Trace) -> None:
    assert now.trace == trace
