"""The allocation in the loop of the daemon: when it decides, what it shows, what it keeps, and that shadow shows nothing."""

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from meterd.app.share_commands import share_lines, would_have_lines
from meterd.app.sharer import Sharer
from meterd.derived import catalogue, values
from meterd.reading import Quality
from meterd.site import Site
from meterd.snapshot import Snapshot
from meterd.store.sqlite import SqliteStore
from tests.share_pictures import LOAD_W, T, mill, shot

VIENNA = ZoneInfo("Europe/Vienna")


@pytest.fixture
def store(tmp_path: Path) -> Iterator[SqliteStore]:
    """A store that is written."""
    found = SqliteStore.writer(tmp_path / "mill.sqlite")
    yield found
    found.close()


def at(site: Site, now_ms: int, surplus: float, rooms: dict[str, float] | None = None) -> Snapshot:
    """All meters at one moment: rooms draw as given, PV makes 40 kW, the rest is exported."""
    draws = {f"room-{i:02d}": 0.0 for i in range(len(site.consumers))} | (rooms or {})
    powers = {"t1": (sum(draws.values()) - surplus, now_ms), "pv": (40_000.0, now_ms)}
    powers |= {name: (power, now_ms) for name, power in draws.items()}
    return shot(site, now_ms, **{name.replace("-", "_"): value for name, value in powers.items()})


def run(sharer: Sharer, site: Site, samples: int, surplus: float, *, first: int = 0, obey: bool = True) -> Snapshot:
    """Samples of 10 s; rooms draw what they were given the sample before."""
    shown = at(site, T, surplus)
    drawn: dict[str, float] = {}
    for t in range(first, first + samples):
        shown = sharer.step(at(site, T + t * 10_000, surplus, drawn))
        shares = sharer._state.known.share_w.tolist() if obey else [0] * len(site.consumers)
        drawn = {f"room-{i:02d}": float(share) for i, share in enumerate(shares)}
    return shown


def test_off_decides_nothing() -> None:
    """Mode off, which is the default: the picture passes unchanged and the topics are not there."""
    site = replace(mill(), sharing=replace(mill().sharing, mode="off"))
    sharer = Sharer(site)
    before = at(site, T, 20_000)
    assert sharer.step(before) is before
    assert not any("share" in entry.topic for entry in catalogue(site))


def test_shares_are_in_the_picture_and_on_the_topics() -> None:
    """With surplus for both rooms each gets its share, with state, time and reason; sharing/count and the rest follow."""
    site = mill(2, ramp_w_per_s=10_000)
    shown = run(Sharer(site), site, 10, 20_000)
    assert {name: share.power_w for name, share in shown.shares.items()} == {"heater-00": 1500, "heater-01": 1500}
    assert shown.shares["heater-00"].reason == "runs at 1500 W"
    found = {value.topic: value for value in values(shown)}
    assert found["energy/mill/share/heater-00"].value == LOAD_W
    assert found["energy/mill/sharing/count"].value == 2
    assert found["energy/mill/sharing/gain"].value == pytest.approx(0.1545, abs=1e-4)
    assert found["energy/mill/sharing/probability"].value == 0


def test_one_decision_per_sample() -> None:
    """Ten pictures a second with the same powers: one decision; the next powers, the next."""
    site = mill()
    sharer = Sharer(site)
    first = at(site, T, 20_000)
    decided = set()
    for i in range(50):
        sharer.step(replace(first, now_ms=T + i * 100))
        decided.add(id(sharer.decisions))
    assert len(decided) == 1
    sharer.step(at(site, T + 10_000, 20_000))
    assert id(sharer.decisions) not in decided


def test_a_late_picture_is_decided_on_at_once() -> None:
    """Powers are two samples late, so a decision is made without them; when they come they need not wait for a sample."""
    site = mill()
    sharer = Sharer(site)
    sharer.step(at(site, T, 20_000))
    sharer.step(replace(at(site, T, 20_000), now_ms=T + 20_000))
    without = sharer.decisions
    sharer.step(at(site, T + 21_000, 20_000))
    assert sharer.decisions is not without
    late = sharer.decisions
    sharer.step(at(site, T + 28_000, 20_000))
    assert sharer.decisions is late, "and the next one keeps its distance"


def test_g1_stale_powers_let_the_shares_sink_to_invalid() -> None:
    """The meters fall silent: the shares sink without new powers, end at zero, and the topic's bare number is 0."""
    site = mill(2, ramp_w_per_s=10_000)
    sharer = Sharer(site)
    shown = run(sharer, site, 10, 20_000)
    last = at(site, shown.now_ms, 20_000, {"room-00": 1500.0, "room-01": 1500.0})
    totals = []
    for second in range(1, 200):
        shown = sharer.step(replace(last, now_ms=last.now_ms + second * 1000))
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
    sharer = Sharer(site, store)
    shown = run(sharer, site, 720, 4_700, obey=False)
    assert shown.shares == {}
    assert shown.sharing is None
    assert not any("share" in entry.topic for entry in catalogue(site))
    assert sharer.decisions is not None
    assert sharer.decisions.total_w == 2 * LOAD_W
    sharer.close()
    lines, title = would_have_lines(store, site, T - 1, T + 7_200_000)
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
    sharer = Sharer(site, store)
    run(sharer, site, 10, 3_200)
    sharer.close()
    lines, title = share_lines(store, VIENNA)
    assert [line["share_w"] for line in lines] == [1500, 0]
    assert lines[1]["reason"] == "waits: needs 1500 W and 1500 W to spare, 1700 W are left"
    assert "mode on: 3200 W to share" in title


def test_an_interval_goes_on_after_a_restart(store: SqliteStore) -> None:
    """A new daemon in the same quarter hour adds to the row that the one before it began."""
    site = mill(2, ramp_w_per_s=10_000)
    start = T - T % 900_000
    for first in (6, 30):
        sharer = Sharer(site, store)
        offset = (start - T) // 10_000
        run(sharer, site, 20, 20_000, first=offset + first)
        sharer.close()
    lines, title = would_have_lines(store, site, start, start + 900_000)
    assert "0.1 h decided on" in title
    assert sum(int(str(line["switchings"])) for line in lines[:-1]) == 4, "both rooms, before and after"


def test_g6_finding_of_the_allocation_is_handed_on() -> None:
    """A room that draws double is named in the findings of the daemon."""
    site = mill(2, ramp_w_per_s=10_000)
    sharer = Sharer(site)
    run(sharer, site, 10, 20_000)
    for t in range(10, 40):
        sharer.step(at(site, T + t * 10_000, 20_000, {"room-00": 3_000.0, "room-01": 1_500.0}))
    assert [(f.cause, f.subject) for f in sharer.findings] == [("overdraw", "heater-00")]


def test_delay_is_measured_by_small_steps_and_the_gain_follows(store: SqliteStore) -> None:
    """Smooth loads that answer one sample later: test steps tell it, and the gain is the one of that delay."""
    site = mill(2, ramp_w_per_s=10_000, test_step_w=500)
    consumers = tuple(replace(one, min_w=0, step_w=0, max_w=20_000) for one in site.consumers)
    site = replace(site, consumers=consumers)
    sharer = Sharer(site, store)
    given: list[dict[str, float]] = [{}, {}]
    for t in range(130):
        sharer.step(at(site, T + t * 10_000, 20_000, given[-2]))
        shares = sharer._state.known.share_w.tolist()
        given.append({f"room-{i:02d}": float(share) for i, share in enumerate(shares)})
    assert sharer.delay is not None
    assert sharer.delay.samples == 1
    assert sharer.sharing is not None
    assert sharer.sharing.gain == pytest.approx(0.25)
    sharer.close()
    assert "from a share to its effect 1 sample, as measured" in share_lines(store, VIENNA)[1]


def test_without_steps_the_delay_of_the_plan_stays() -> None:
    """Nothing moves: nothing can be measured, and the gain is that of the plan."""
    site = mill(2, ramp_w_per_s=10_000)
    sharer = Sharer(site)
    run(sharer, site, 70, 0)
    assert sharer.delay is None
    assert sharer.sharing is not None
    assert sharer.sharing.gain == pytest.approx(0.1545, abs=1e-4)
