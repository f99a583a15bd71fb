"""The loop of consumers that the tests of sharing drive: loads that do what their share says."""

from dataclasses import replace

import numpy as np

from meterd.core.model.plan import Consumer, Limits, Sharing, Site
from meterd.core.sharing.allocation import AllocationState, Decisions, Draws, allocate, begin
from meterd.core.sharing.available_power import Inputs
from meterd.core.sharing.consumers import Policy, policy_of

T = 1_780_000_000_000
STEP = 10_000
FAST = Sharing(mode="on", ramp_w_per_s=100_000)


def on_off(name: str, power: int = 1500, **more: int) -> Consumer:
    """A load that is on or off."""
    return Consumer(name, min_w=power, max_w=power, step_w=power, **more)


def smooth(name: str, most: int, **more: int) -> Consumer:
    """A load that takes any power."""
    return Consumer(name, min_w=0, max_w=most, **more)


class Loop:
    """Consumers that do what they are told, unless set otherwise, at once; one step is one decision."""

    def __init__(self, *consumers: Consumer, sharing: Sharing = FAST, limits: Limits | None = None) -> None:
        site = Site("mill", "UTC", consumers=consumers, sharing=sharing, limits=limits or Limits())
        self.policy: Policy = policy_of(site)
        self.state: AllocationState = begin(self.policy)
        self.now = T
        self.rows = {name: row for row, name in enumerate(self.policy.names)}
        self.stubborn: dict[str, int] = {}
        self.unmeasured: set[str] = set()
        self.last: Decisions | None = None

    def draws(self) -> np.ndarray:
        draw = self.state.states.given[self.policy.sharing.delay_samples].copy()
        for name, power in self.stubborn.items():
            draw[self.rows[name]] = power
        return draw

    def step(self, pv: int, *, base: int = 0, steps: int = 1, **inputs: object) -> Decisions:
        for _ in range(steps):
            draw = self.draws()
            measured = np.array([name not in self.unmeasured for name in self.policy.names])
            picture = replace(Inputs(self.now, pv - base - int(draw.sum()), pv), **inputs)  # type: ignore[arg-type]
            self.state, self.last = allocate(self.state, picture, Draws(draw, measured), self.policy, self.now)
            self.now += STEP
        assert self.last is not None
        return self.last

    def shares(self) -> dict[str, int]:
        assert self.last is not None
        return {d.consumer: d.share_w for d in self.last}

    def reason(self, name: str) -> str:
        assert self.last is not None
        return self.last.reason(self.rows[name])
