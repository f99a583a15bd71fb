"""The small site of `month.py`, made once for all tests of documents."""

from pathlib import Path

import pytest

from tests.adapters.documents.month import folder


@pytest.fixture(scope="session")
def hof(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The plan, its store beside it."""
    return folder(tmp_path_factory.mktemp("hof"))
