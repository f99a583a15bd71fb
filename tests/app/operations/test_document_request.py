"""Forms of documents that there are not are refused."""

from pathlib import Path

import pytest

from meterd.core.errors import ConfigError
from meterd.core.reports.content import DocumentRequest
from tests.adapters.web.request_contexts import context_of


def test_the_backend_refuses_forms_that_there_are_not(tmp_path: Path) -> None:
    """Also for whoever asks it without the page."""
    backend = context_of(tmp_path / "s.sqlite", []).backend
    with pytest.raises(ConfigError, match="no documents as docx"):
        backend.document(DocumentRequest("documents", "docx", "", "en"), "ada")
