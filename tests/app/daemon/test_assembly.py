"""Each source of a plan becomes a running one of its protocol."""

from pathlib import Path

import pytest

from meterd.adapters.planfile.loader import load_plan
from meterd.adapters.runtime.clock import WallClock
from meterd.adapters.sources.polling import PolledSource
from meterd.app.daemon.assembly import source_of
from tests.plans import write
from tests.protocol_plans import SOUND, files


@pytest.mark.parametrize("protocol", SOUND)
def test_sound_source_becomes_a_running_one(tmp_path: Path, protocol: str) -> None:
    site = load_plan(write(tmp_path, files(protocol, SOUND[protocol], options="timeout_s = 3"))).site
    row = next(source for source in site.sources if source.name == "line")
    source = source_of(row, site, WallClock())
    assert isinstance(source, PolledSource)
    assert source.counters()["polls"] == 0
