"""The snapshot: everything a page or a topic may show at one moment, immutable, made by `live`."""

from collections.abc import Mapping
from dataclasses import dataclass, field

from meterd.core.model.demand import DemandOutlook, DemandWarning
from meterd.core.model.drift_look import DriftLook
from meterd.core.model.finding import Finding
from meterd.core.model.forecast import SiteForecast
from meterd.core.model.plan import Site
from meterd.core.model.reading import Quality
from meterd.core.model.rounds import Trace
from meterd.core.model.surplus_level import SurplusLevel


@dataclass(frozen=True, slots=True)
class Now:
    """The newest value of one register: instantaneous in its base unit, or a counter in Wh along or against the arrow.

    `old` marks a value that was retained by the broker before this daemon started: last known, not "now". `samples` are
    the recent ones up to this, `every_ms` is how often they come (0 = not known yet).
    """

    value: float
    at_ms: int
    old: bool = False
    samples: Trace = ()
    every_ms: int = 0

    @property
    def trace(self) -> Trace:
        """What rounds are made of: a value retained by the broker is no sample."""
        return self.samples if self.samples or self.old else ((self.at_ms, self.value),)


@dataclass(frozen=True, slots=True)
class BoardNow:
    """One balance of one board, for the last closed interval or the running one. Energies in mWh; None = missing.

    `verdict` is "inside", "outside" or "not computable"; `missing` names the points that make it so. `covered` of `of`
    points count; the others are not live yet (`uncovered`).
    """

    board: str
    start_ms: int
    end_ms: int
    feed_mwh: int | None
    outgoing_mwh: int | None
    residual_mwh: int | None
    band_mwh: int | None
    verdict: str
    missing: tuple[str, ...] = ()
    uncovered: tuple[str, ...] = ()
    covered: int = 0
    of: int = 0
    estimated: bool = False


@dataclass(frozen=True, slots=True)
class PvNow:
    """PV figures of the local day so far, made per interval; None = missing or undefined."""

    start_ms: int
    end_ms: int  # end of the last closed interval in it
    production_mwh: int | None
    export_mwh: int | None
    self_use_mwh: int | None
    self_consumption: float | None  # self-use over production; undefined without production
    self_sufficiency: float | None  # self-use over consumption; undefined without consumption
    estimated: bool = False
    import_mwh: int | None = None
    consumption_mwh: int | None = None


@dataclass(frozen=True, slots=True)
class SurplusNow:
    """What PV could still give to flexible loads, and by which path it was found; `power_w` None = invalid.

    `apart_ms` and `every_ms` as of `PowerNow`.
    """

    power_w: float | None
    at_ms: int
    state: Quality
    path: str  # "connection", "sum of the board" or "none"
    reason: str = ""
    apart_ms: int = 0
    every_ms: int = 0


@dataclass(frozen=True, slots=True)
class PowerNow:
    """A site sum of powers of one round, or None with the reason.

    `apart_ms` is how far its samples are apart in time, `every_ms` the period of the slowest meter in it.
    """

    power_w: float | None
    at_ms: int
    state: Quality
    reason: str = ""
    apart_ms: int = 0
    every_ms: int = 0


@dataclass(frozen=True, slots=True)
class ShareNow:
    """The power that one consumer may take from the surplus now, with the reason in words; None = invalid.

    `every_ms` is how often it is decided on.
    """

    power_w: int | None
    at_ms: int
    state: Quality
    reason: str = ""
    every_ms: int = 0


@dataclass(frozen=True, slots=True)
class SharingNow:
    """For controllers that see only the surplus: how many they are, and how strongly each may react to it."""

    count: int
    gain: float
    probability: float
    at_ms: int
    state: Quality
    every_ms: int = 0


@dataclass(frozen=True, slots=True)
class Snapshot:
    """Everything that may be shown at one moment."""

    site: Site
    now_ms: int
    instant: Mapping[tuple[str, str], Now]
    counters: Mapping[tuple[str, str], Now]
    closed: Mapping[str, BoardNow]
    running: Mapping[str, BoardNow]
    pv_day: PvNow | None
    surplus: SurplusNow
    draw: PowerNow  # at the connection, along the arrow of the feeds; negative = export
    production: PowerNow
    load: PowerNow  # draw + pv + backup + storage
    self_use: PowerNow
    demand: PowerNow  # mean of the running interval so far
    demand_projection: PowerNow  # mean of the running interval if the present draw goes on
    findings: tuple[Finding, ...] = ()
    shares: Mapping[str, ShareNow] = field(default_factory=dict)  # by consumer; empty while nothing is published
    sharing: SharingNow | None = None
    demand_allowed: PowerNow | None = (
        None  # mean import that the rest of the interval may have; None without a contract
    )
    surplus_level: SurplusLevel = SurplusLevel.UNKNOWN
    forecast: SiteForecast | None = None  # the newest that was issued; None while there is too little history
    demand_remaining: PowerNow | None = None  # the same by bare arithmetic, without the contract as its bound
    demand_outlook: DemandOutlook | None = None  # the running interval at its end, with the forecast; None = unknown
    drift_look: DriftLook = DriftLook.TO_COME
    demand_warning: DemandWarning | None = None  # None without a contract, and while the outlook is unknown
