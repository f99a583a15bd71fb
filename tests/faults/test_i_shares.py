"""Faults of shares (I2, I3), shown through the running daemon with the shipped plan: its topics and its commands."""

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from meterd.adapters.simulator.faults import Fault
from meterd.adapters.simulator.run import plan_path
from meterd.app.cli.main import main
from meterd.core.model.plan import Consumer, Site
from tests.faults.simulated_day import played

OUTAGE_S = 300.0


def reasons(store: Path, capsys: pytest.CaptureFixture[str]) -> dict[str, str]:
    """What `meterd shares` says of every consumer."""
    capsys.readouterr()
    assert main(["shares", str(plan_path()), "--store", str(store), "--format", "json"]) == 0
    return {row["consumer"]: row["reason"] for row in json.loads(capsys.readouterr().out)}


@pytest.mark.slow
def test_i3_on_backup_supply_all_shares_are_zero_at_the_next_sample(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Loads that run inside their minimum on times (it had given 14 kW at once, and 9 kW five minutes later)."""
    with played(tmp_path, Fault("outage", "harrow-mill", 0.0, OUTAGE_S)) as mill:
        for _ in range(int(OUTAGE_S) // 10):
            mill.step()
        assert sum(mill.shares().values()) > 10_000
        for _ in range(8):
            mill.step()
            if (mill.value("point/backup/power") or 0) > 5_000:
                break
        assert mill.value("pv/surplus") == 0
        assert set(mill.shares().values()) == {0.0}
        mill.step()
        assert set(mill.shares().values()) == {0.0}
        why = reasons(tmp_path / "mill.sqlite", capsys)
        assert set(why.values()) == {"off: the mains do not carry the site (on backup supply)"}


# -- I2: loads that cannot take their share ----------------------------------------------------------------------------

ROWS = 8
AMONG = (6, 7)  # of those that say nothing: other loads draw at their points too
WHOLE_W = 1_500 * ROWS


def row_of_heaters(says: bool) -> Callable[[Site], Site]:
    """The water heater of the bakery alone with eight of 1.5 kW that are measured at studios; what the row says is read."""

    def change(site: Site) -> Site:
        heaters = tuple(
            Consumer(
                f"heater-{i}",
                f"studio-{i:02d}",
                min_w=1500,
                max_w=1500,
                step_w=1500,
                alone=says or i not in AMONG,
                can_take=f"mill/heaters/{i}#/can_take_w" if says else "",
                can_take_source="mill" if says else "",
            )
            for i in range(1, ROWS + 1)
        )
        return replace(site, consumers=heaters, sharing=replace(site.sharing, reserve_w=0))

    return change


def says(power: Callable[[int], int]) -> list[tuple[str, bytes]]:
    """What the controllers of the row send each sample."""
    return [(f"mill/heaters/{i}", json.dumps({"can_take_w": power(i)}).encode()) for i in range(1, ROWS + 1)]


@pytest.mark.slow
def test_i2_who_says_that_it_is_full_gets_nothing_and_the_others_all(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Half of a row is full and says so by MQTT; when it says that it is cold it gets its share."""
    with played(tmp_path, change=row_of_heaters(says=True)) as mill:
        for _ in range(20):
            mill.step(says(lambda i: 0 if i % 2 else 1500))
        shares = mill.shares()
        assert {name: share for name, share in shares.items() if share} == {f"heater-{i}": 1500 for i in (2, 4, 6, 8)}
        why = reasons(tmp_path / "mill.sqlite", capsys)
        assert why["heater-1"] == "waits: says that it can take 0 W"
        for _ in range(12):
            mill.step(says(lambda _: 1500))
        assert sum(mill.shares().values()) == WHOLE_W


@pytest.mark.slow
def test_i2_who_does_not_take_its_share_is_left_alone_and_tried_one_at_a_time(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Half of a row never draws and says nothing: after two minutes the share is taken back (it had been six), and offered
    again after ten minutes to one of them at a time; also where other loads draw at its point, but less than it would."""
    with played(tmp_path, change=row_of_heaters(says=False)) as mill:
        mill.obey = lambda name, share: 0.0 if int(name[-1]) % 2 else share
        absent = [f"heater-{i}" for i in (1, 3, 5, 7)]
        given: dict[str, list[int]] = {name: [] for name in absent}
        for t in range(90):
            mill.step()
            for name in absent:
                if mill.share(name):
                    given[name].append(t)
            if t == 30:
                why = reasons(tmp_path / "mill.sqlite", capsys)
                assert why["heater-1"].startswith("waits: did not draw its share, offered again in ")
        for name in absent:
            first = [t for t in given[name] if t < 40]
            assert 11 <= len(first) <= 14, "idle_s is 120 s"
        later = sorted(t for name in absent for t in given[name] if t >= 40)
        assert later, "they are tried again"
        assert len(later) == len(set(later)), "one at a time"
        assert sum(mill.shares().values()) >= WHOLE_W // 2
