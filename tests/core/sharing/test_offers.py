"""What consumers are offered that do not take their share: it is taken back in time, and tried again in small steps.

Table: says 0 | says less than all | never draws | draws a part | comes back | is measured nowhere | minimum off time first.
"""

from dataclasses import replace

import numpy as np

from meterd.core.model.plan import Consumer, Sharing, Site
from meterd.core.model.reading import CAN_TAKE
from meterd.core.model.snapshot import Now
from meterd.core.sharing.allocation import Draws, allocate
from meterd.core.sharing.available_power import Inputs
from meterd.core.sharing.consumers import Policy, policy_of
from meterd.core.sharing.offers import acceptable_w
from tests.core.sharing.share_loop import FAST, STEP, Loop, T, on_off, smooth

IDLE = FAST.idle_s // FAST.sample_s  # samples


class Taking(Loop):
    """Consumers that take of their share only what they can; `says` is what they tell of it."""

    def __init__(self, *consumers: Consumer, sharing: Sharing = FAST) -> None:
        super().__init__(*consumers, sharing=sharing)
        self.can: dict[str, int] = {}
        self.says: dict[str, int] = {}
        self.beside: dict[str, int] = {}  # what else is drawn at the point of one that is not measured

    def draws(self) -> np.ndarray:
        draw = super().draws()
        for name, most in self.can.items():
            row = self.rows[name]
            draw[row] = min(draw[row], most)
        return draw

    def sample(self, pv: int, count: int = 1) -> list[int]:
        """So many decisions; the sums of the shares."""
        totals = []
        for _ in range(count):
            draw = self.draws()
            measured = np.array([name not in self.unmeasured for name in self.policy.names])
            able = np.array([self.says.get(name, -1) for name in self.policy.names])
            picture = Inputs(self.now, pv - int(draw.sum()), pv)
            most = np.array([self.beside.get(name, -1) for name in self.policy.names])
            most = np.where(most >= 0, most + draw, -1)
            self.state, self.last = allocate(
                self.state, picture, Draws(draw, measured, able, most), self.policy, self.now
            )
            self.now += STEP
            totals.append(self.last.total_w)
        return totals


def test_who_says_that_it_is_full_gets_nothing_at_once() -> None:
    """A word of zero takes back a share inside a minimum on time too; a word of less is a share of whole steps."""
    boiler = Consumer("boiler", min_w=2000, max_w=6000, step_w=2000, min_on_s=900)
    loop = Taking(boiler, smooth("car", 9_000))
    loop.sample(20_000, 12)
    assert loop.shares() == {"boiler": 6000, "car": 9000}
    loop.says = {"boiler": 5_900, "car": 3_100}
    loop.sample(20_000)
    assert loop.shares() == {"boiler": 4000, "car": 3100}
    loop.says = {"boiler": 1_900, "car": 0}
    loop.sample(20_000)
    assert loop.shares() == {"boiler": 0, "car": 0}
    assert loop.reason("boiler") == "waits: says that it can take 1900 W"
    loop.says = {}
    loop.sample(20_000, 12)
    assert loop.shares()["boiler"] == 6000


def test_idle_s_is_what_it_says_and_every_pause_is_longer() -> None:
    """A share that is never drawn: two minutes, then tries after 10, 30, 90 and 120 minutes."""
    loop = Taking(on_off("hot"))
    loop.can = {"hot": 0}
    given = [total > 0 for total in loop.sample(10_000, 6 * 360)]
    begins = [i for i in range(1, len(given)) if given[i] and not given[i - 1]]
    ends = [i for i in range(1, len(given)) if given[i - 1] and not given[i]]
    assert [end - begin for begin, end in zip(begins, ends[-len(begins) :], strict=True)] == [IDLE] * len(begins)
    pauses = [begin - end for begin, end in zip(begins, ends, strict=False)]
    assert [round(pause / 6) for pause in pauses] == [10, 30, 90, 120][: len(pauses)]
    assert len(pauses) >= 3


def test_a_minimum_off_time_of_before_the_start_is_waited_for_once() -> None:
    """Nobody knows since when it stands: the first time it has its minimum off time and two minutes."""
    loop = Taking(on_off("pump", min_off_s=300))
    loop.can = {"pump": 0}
    given = [total > 0 for total in loop.sample(10_000, 150)]
    assert sum(given[:60]) == IDLE + 30
    assert sum(given[60:]) == IDLE


def test_one_is_tried_at_a_time_and_nobody_goes_off_for_it() -> None:
    """Four that stand, two that run: after the pause the four are asked one after the other."""
    loop = Taking(*(on_off(f"stands-{i}") for i in range(4)), on_off("runs-0"), on_off("runs-1"))
    loop.can = {f"stands-{i}": 0 for i in range(4)}
    loop.sample(20_000, 60)
    offered = []
    for _ in range(80):
        loop.sample(20_000)
        shares = loop.shares()
        assert shares["runs-0"] == shares["runs-1"] == 1500
        offered.append({name for name in loop.can if shares[name]})
    assert max(len(names) for names in offered) == 1
    assert len(set().union(*offered)) == 4


def test_who_takes_again_is_free_again() -> None:
    """A car comes: at the next try it takes the smallest step, and has all it can take two decisions of doubling later."""
    charger = Consumer("charger", min_w=1400, max_w=11_200, step_w=1400)
    loop = Taking(charger)
    loop.can = {"charger": 0}
    loop.sample(15_000, 70)
    loop.can = {}
    totals = loop.sample(15_000, 60)
    assert totals[-1] == 11_200
    first = next(total for total in totals if total)
    assert first == 1400, "the smallest step"


def test_a_part_that_is_left_goes_to_others() -> None:
    """A car that takes 3.6 of 22 kW: two minutes later its share is whole steps above that, and the tank has the rest."""
    loop = Taking(Consumer("charger", min_w=1400, max_w=22_400, step_w=1400), smooth("tank", 12_000))
    loop.can = {"charger": 3_600}
    loop.sample(16_000, IDLE + 20)
    assert loop.shares()["charger"] == 4200
    assert loop.shares()["tank"] >= 10_000


def test_who_follows_a_rising_share_late_leaves_nothing() -> None:
    """A share that rises for minutes and a load that follows it 40 s later: it is never taken for idle."""
    loop = Taking(smooth("tank", 30_000), sharing=replace(FAST, delay_samples=4))
    for i in range(60):
        loop.sample(500 * i)
    assert loop.shares()["tank"] >= 29_000


def test_who_is_measured_nowhere_keeps_its_share() -> None:
    """Where nothing is measured a share counts as drawn; only its own word says otherwise."""
    loop = Taking(on_off("hot"))
    loop.can, loop.unmeasured = {"hot": 0}, {"hot"}
    loop.sample(10_000, 60)
    assert loop.shares() == {"hot": 1500}
    loop.says = {"hot": 0}
    loop.sample(10_000)
    assert loop.shares() == {"hot": 0}


def test_a_load_among_others_is_seen_to_stand_while_all_of_them_draw_less_than_it_would() -> None:
    """400 W at the point of a load of 1500 W: taken back after `idle_s` and tried, inside a minimum on time too; where the
    others draw as much as it would, its share counts as drawn."""
    loop = Taking(on_off("hot", min_on_s=900), smooth("tank", 9_000))
    loop.can, loop.unmeasured, loop.beside = {"hot": 0}, {"hot"}, {"hot": 400}
    loop.sample(12_000, IDLE + 6)
    assert loop.shares() == {"hot": 0, "tank": 9_000}
    assert loop.reason("hot").startswith("waits: did not draw its share")
    loop.beside = {"hot": 2_400}
    loop.sample(12_000, 12)
    assert loop.shares()["hot"] == 0, "a kettle is not the load"
    loop.beside = {"hot": 400}
    loop.can = {}
    loop.sample(12_000, 80)
    assert loop.shares()["hot"] == 1500, "it has taken what it was tried with"
    loop.can, loop.beside = {"hot": 0}, {"hot": 2_400}
    loop.sample(12_000, 60)
    assert loop.shares()["hot"] == 1500, "nobody can see that it stands"


def test_words_count_for_a_while_and_never_from_before_the_start() -> None:
    """Older than `can_take_s`, retained from before the start, below zero: as if nothing was said."""
    consumer = Consumer("a", max_w=1500, can_take="m/a", can_take_source="m")
    site = Site("mill", "UTC", consumers=(consumer, on_off("b")), sharing=Sharing(can_take_s=60))
    key = ("a", CAN_TAKE)
    cases = (
        ({key: Now(700.4, T - 60_000)}, 700),
        ({key: Now(700.0, T - 60_001)}, -1),
        ({key: Now(700.0, T, old=True)}, -1),
        ({key: Now(-5.0, T)}, -1),
        ({key: Now(9e9, T)}, 1500),
        ({}, -1),
    )
    for instant, wanted in cases:
        result = acceptable_w(site, instant, T)
        assert result is not None
        assert result.tolist() == [wanted, -1]
    silent: Policy = policy_of(site)
    assert silent.names == ("a", "b")
    assert acceptable_w(replace(site, consumers=(on_off("b"),)), {}, T) is None
