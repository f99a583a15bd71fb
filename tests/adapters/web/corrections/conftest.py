"""A small store, only looked at, for all tests of the record of an exchange."""

import pytest

from meterd.adapters.web.request_context import RequestContext
from tests.adapters.web.request_contexts import context_of, steady


@pytest.fixture(scope="module")
def exchange_context(tmp_path_factory: pytest.TempPathFactory) -> RequestContext:
    """Three hours of q01 at 4 kW, only looked at."""
    path = tmp_path_factory.mktemp("change") / "s.sqlite"
    return context_of(path, [*steady("t1", 4000.0), *steady("q01", 4000.0)])
