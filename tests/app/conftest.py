"""A quiet history, made once for all tests that look for drift."""

from pathlib import Path

import pytest

from tests.app.drift_histories import history_of, mill


@pytest.fixture(scope="session")
def quiet(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A history in which no instrument changes."""
    return history_of(tmp_path_factory.mktemp("quiet") / "s.sqlite", mill())
