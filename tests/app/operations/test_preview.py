"""A preview is worked out by a process of its own: what it shows, and what ends it."""

from dataclasses import replace
from pathlib import Path

import pytest

from meterd.app.operations.preview import preview_in_child
from meterd.core.errors import ConfigError, StoreError
from meterd.core.model.reading import IMPORT
from meterd.core.registers.corrections import Correction
from tests.adapters.web.corrections.correction_requests import three_hours
from tests.adapters.web.request_contexts import BEGIN, SITE


@pytest.mark.slow  # a child process works it out
def test_the_process_of_its_own_says_what_cannot_be_and_is_ended_at_the_limit(tmp_path: Path) -> None:
    """In the words of the command; nothing is left running."""
    path = tmp_path / "s.sqlite"
    three_hours(path)
    correction = Correction(0, "q01", IMPORT, BEGIN, None, "2", "", "", 0)
    with pytest.raises(ConfigError, match=r"reads no register 4\.8\.0 of q01"):
        preview_in_child(path, SITE, replace(correction, register="4.8.0"), 60)
    with pytest.raises(StoreError, match="no store"):
        preview_in_child(tmp_path / "none.sqlite", SITE, correction, 60)
    with pytest.raises(StoreError, match="longer than 0 s"):
        preview_in_child(path, SITE, correction, 0.0)
