"""The allocation in the loop of the daemon: when it decides, what it shows, what it keeps, and that shadow shows nothing."""

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from meterd.adapters.store.journal import SqliteStore
from meterd.app.cli.shares import effect_lines, share_lines
from meterd.app.daemon.sharing_job import SharingJob
from meterd.core.model.plan import Site
from meterd.core.model.reading import Quality
from meterd.core.model.snapshot import Snapshot
from meterd.core.topics.table import catalogue, values
from tests.share_snapshots import LOAD_W, T, mill, shot

VIENNA = ZoneInfo("Europe/Vienna")


@pytest.fixture
def store(tmp_path: Path) -> Iterator[SqliteStore]:
    """A store that is written."""
    result = SqliteStore.writer(tmp_path / "mill.sqlite")
    yield result
    result.close()


def at(site: Site, now_ms: int, surplus: float, rooms: dict[str, float] | None = None) -> Snapshot:
    """All meters at one moment: rooms draw as given, PV makes 40 kW, the rest is exported."""
    draws = {f"room-{i:02d}": 0.0 for i in range(len(site.consumers))} | (rooms or {})
    powers = {"t1": (sum(draws.values()) - surplus, now_ms), "pv": (40_000.0, now_ms)}
    powers |= {name: (power, now_ms) for name, power in draws.items()}
    return shot(site, now_ms, **{name.replace("-", "_"): value for name, value in powers.items()})


def run(
    sharing_job: SharingJob, site: Site, samples: int, surplus: float, *, first: int = 0, obey: bool = True
) -> Snapshot:
    """Samples of 10 s; rooms draw what they were given the sample before."""
    shown = at(site, T, surplus)
    drawn: dict[str, float] = {}
    for t in range(first, first + samples):
        shown = sharing_job.step(at(site, T + t * 10_000, surplus, drawn))
        shares = sharing_job._state.states.share_w.tolist() if obey else [0] * len(site.consumers)
        drawn = {f"room-{i:02d}": float(share) for i, share in enumerate(shares)}
    return shown


def test_off_decides_nothing() -> None:
    """Mode off, which is the default: the snapshot passes unchanged and the topics are not there."""
    site = replace(mill(), sharing=replace(mill().sharing, mode="off"))
    sharing_job = SharingJob(site)
    before = at(site, T, 20_000)
    assert sharing_job.step(before) is before
    assert not any("share" in entry.topic for entry in catalogue(site))


def test_shares_are_in_the_snapshot_and_on_the_topics() -> None:
    """With surplus for both rooms each gets its share, with state, time and reason; sharing/count and the rest follow."""
    site = mill(2, ramp_w_per_s=10_000)
    shown = run(SharingJob(site), site, 10, 20_000)
    assert {name: share.power_w for name, share in shown.shares.items()} == {"heater-00": 1500, "heater-01": 1500}
    assert shown.shares["heater-00"].reason == "runs at 1500 W"
    results = {value.topic: value for value in values(shown)}
    assert results["energy/mill/share/heater-00"].value == LOAD_W
    assert results["energy/mill/sharing/count"].value == 2
    assert results["energy/mill/sharing/gain"].value == pytest.approx(0.1545, abs=1e-4)
    assert results["energy/mill/sharing/probability"].value == 0


def test_one_decision_per_sample() -> None:
    """Ten snapshots a second with the same powers: one decision; the next powers, the next."""
    site = mill()
    sharing_job = SharingJob(site)
    first = at(site, T, 20_000)
    decided = set()
    for i in range(50):
        sharing_job.step(replace(first, now_ms=T + i * 100))
        decided.add(id(sharing_job.decisions))
    assert len(decided) == 1
    sharing_job.step(at(site, T + 10_000, 20_000))
    assert id(sharing_job.decisions) not in decided


def test_a_late_snapshot_is_decided_on_at_once() -> None:
    """Powers are two samples late, so a decision is made without them; when they come they need not wait for a sample."""
    site = mill()
    sharing_job = SharingJob(site)
    sharing_job.step(at(site, T, 20_000))
    sharing_job.step(replace(at(site, T, 20_000), now_ms=T + 20_000))
    without = sharing_job.decisions
    sharing_job.step(at(site, T + 21_000, 20_000))
    assert sharing_job.decisions is not without
    late = sharing_job.decisions
    sharing_job.step(at(site, T + 28_000, 20_000))
    assert sharing_job.decisions is late, "and the next one keeps its distance"


def test_g1_stale_powers_let_the_shares_sink_to_invalid() -> None:
    """The meters fall silent: the shares sink without new powers, end at zero, and the topic's bare number is 0."""
    site = mill(2, ramp_w_per_s=10_000)
    sharing_job = SharingJob(site)
    shown = run(sharing_job, site, 10, 20_000)
    last = at(site, shown.now_ms, 20_000, {"room-00": 1500.0, "room-01": 1500.0})
    totals = []
    for second in range(1, 200):
        shown = sharing_job.step(replace(last, now_ms=last.now_ms + second * 1000))
        totals.append(sum(share.power_w or 0 for share in shown.shares.values()))
    assert totals == sorted(totals, reverse=True)
    assert totals[-1] == 0
    assert shown.shares["heater-00"].state is Quality.INVALID
    value = next(v for v in values(shown) if v.topic.endswith("share/heater-00"))
    assert value.value is None
    assert value.fallback == 0


def test_shadow_computes_as_if_followed_and_shows_nothing(store: SqliteStore) -> None:
    """Nobody follows in shadow: the shares settle all the same, nothing is shown, and the week's report tells."""
    site = mill(4, mode="shadow", ramp_w_per_s=10_000)
    sharing_job = SharingJob(site, store)
    shown = run(sharing_job, site, 720, 4_700, obey=False)
    assert shown.shares == {}
    assert shown.sharing is None
    assert not any("share" in entry.topic for entry in catalogue(site))
    assert sharing_job.decisions is not None
    assert sharing_job.decisions.total_w == 2 * LOAD_W
    sharing_job.close()
    lines, title = effect_lines(store, site, T - 1, T + 7_200_000)
    by_name = {str(line["consumer"]): line for line in lines}
    assert float(str(by_name["all"]["energy_wh"])) == pytest.approx(2 * LOAD_W * 2, rel=0.03)
    assert "(mode shadow)" in title
    assert "used 88.2 %" in title, "40 kW of PV of which 4.7 are exported"
    assert "netted per 900 s 88.2 %, with shares 9" in title
    assert "with shares 95.6 %" in title or "with shares 95.7 %" in title


def test_newest_decision_is_kept_with_its_reasons(store: SqliteStore) -> None:
    """`meterd shares` reads what the daemon decided last, and says why."""
    assert share_lines(store, VIENNA) == ([], "")
    site = mill(2, ramp_w_per_s=10_000)
    sharing_job = SharingJob(site, store)
    run(sharing_job, site, 10, 3_200)
    sharing_job.close()
    lines, title = share_lines(store, VIENNA)
    assert [line["share_w"] for line in lines] == [1500, 0]
    assert lines[1]["reason"] == "waits: needs 1500 W and 1500 W to spare, 1700 W are left"
    assert "mode on: 3200 W to share" in title


def test_an_interval_goes_on_after_a_restart(store: SqliteStore) -> None:
    """A new daemon in the same quarter hour adds to the row that the one before it began."""
    site = mill(2, ramp_w_per_s=10_000)
    start = T - T % 900_000
    for first in (6, 30):
        sharing_job = SharingJob(site, store)
        offset = (start - T) // 10_000
        run(sharing_job, site, 20, 20_000, first=offset + first)
        sharing_job.close()
    lines, title = effect_lines(store, site, start, start + 900_000)
    assert "0.1 h decided on" in title
    assert sum(int(str(line["switchings"])) for line in lines[:-1]) == 4, "both rooms, before and after"


def test_g6_finding_of_the_allocation_is_handed_on() -> None:
    """A room that draws double is named in the findings of the daemon."""
    site = mill(2, ramp_w_per_s=10_000)
    sharing_job = SharingJob(site)
    run(sharing_job, site, 10, 20_000)
    for t in range(10, 40):
        sharing_job.step(at(site, T + t * 10_000, 20_000, {"room-00": 3_000.0, "room-01": 1_500.0}))
    assert [(f.cause, f.subject) for f in sharing_job.findings] == [("overdraw", "heater-00")]


def test_delay_is_measured_by_small_steps_and_the_gain_follows(store: SqliteStore) -> None:
    """Smooth loads that answer one sample later: test steps tell it, and the gain is the one of that delay."""
    site = mill(2, ramp_w_per_s=10_000, test_step_w=500)
    consumers = tuple(replace(consumer, min_w=0, step_w=0, max_w=20_000) for consumer in site.consumers)
    site = replace(site, consumers=consumers)
    sharing_job = SharingJob(site, store)
    given: list[dict[str, float]] = [{}, {}]
    for t in range(130):
        sharing_job.step(at(site, T + t * 10_000, 20_000, given[-2]))
        shares = sharing_job._state.states.share_w.tolist()
        given.append({f"room-{i:02d}": float(share) for i, share in enumerate(shares)})
    assert sharing_job.delay is not None
    assert sharing_job.delay.samples == 1
    assert sharing_job.sharing is not None
    assert sharing_job.sharing.gain == pytest.approx(0.25)
    sharing_job.close()
    assert "from a share to its effect 1 sample, as measured" in share_lines(store, VIENNA)[1]


def test_without_steps_the_delay_of_the_plan_stays() -> None:
    """Nothing moves: nothing can be measured, and the gain is that of the plan."""
    site = mill(2, ramp_w_per_s=10_000)
    sharing_job = SharingJob(site)
    run(sharing_job, site, 70, 0)
    assert sharing_job.delay is None
    assert sharing_job.sharing is not None
    assert sharing_job.sharing.gain == pytest.approx(0.1545, abs=1e-4)
