"""What people take as the new normal is kept in the order in which they said so, drift apart from use."""

from dataclasses import replace
from pathlib import Path

import pytest

from meterd.adapters.store.journal import SqliteStore
from meterd.app.operations.acceptances import UNUSUAL_ACCEPTED, accepted_before, with_acceptance
from meterd.core.errors import ConfigError
from meterd.core.model.finding import Finding

DRIFT = Finding("drift", "feeder1", 5_000, "reads less", "look", ("feeder1", "feeder2"))


@pytest.fixture
def store(tmp_path: Path) -> SqliteStore:
    return SqliteStore.writer(tmp_path / "s.sqlite")


def accept(store: SqliteStore, finding: Finding, at_ms: int) -> None:
    with store.transaction():
        store.set_fact(*with_acceptance(store, finding, at_ms, person="Ada", note="as it is"))


def test_acceptances_are_kept_in_their_order(store: SqliteStore) -> None:
    """A named meter is accepted alone; of a balance all points that come into question are."""
    accept(store, DRIFT, 9_000)
    accept(store, replace(DRIFT, cause="balance-shift", subject="board-north"), 9_500)
    first, second = accepted_before(store)
    assert (first.id, first.points, first.since_ms, first.at_ms) == ("drift-feeder1", ("feeder1",), 5_000, 9_000)
    assert (first.person, first.note) == ("Ada", "as it is")
    assert (second.id, second.points) == ("balance-shift-board-north", ("feeder1", "feeder2"))


def test_use_that_is_accepted_is_no_change_of_an_instrument(store: SqliteStore) -> None:
    """It is kept apart, so that the drift watch does not begin anew for it."""
    accept(store, replace(DRIFT, cause="unusual-use"), 9_000)
    assert accepted_before(store) == []
    (acceptance,) = accepted_before(store, UNUSUAL_ACCEPTED)
    assert (acceptance.points, acceptance.since_ms) == (("feeder1",), 5_000)


def test_only_a_change_of_the_figures_can_be_the_new_normal(store: SqliteStore) -> None:
    with pytest.raises(ConfigError, match="no change of an instrument"):
        with_acceptance(store, replace(DRIFT, cause="stale"), 9_000, person="Ada", note="")
    assert accepted_before(store) == []
