"""The page: what people look at. It is handed a backend with everything it shows, and knows no store, source or broker.

backend (snapshot, read side of the store, orders) -> page (a question, answered as values) -> template or JSON
"""

from collections.abc import Mapping, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass
from enum import StrEnum
from typing import Protocol

from meterd.core.checks.staleness import Arrivals
from meterd.core.drift.detection_limits import Visible
from meterd.core.energy.stored_figures import StoredFigures, StoredIntervals
from meterd.core.model.facts import Facts
from meterd.core.model.finding import FindingNote, FindingRow, Suppression
from meterd.core.model.forecast import ForecastScore
from meterd.core.model.health import Health
from meterd.core.model.plan import Site
from meterd.core.model.snapshot import Snapshot
from meterd.core.pv.performance import Performance
from meterd.core.registers.corrections import Correction, CorrectionPreview
from meterd.core.registers.meter_exchange import ExchangeEntry, ExchangeRecord, Fitted
from meterd.core.registers.stored_readings import StoredReadings
from meterd.core.reports.content import DocumentRequest
from meterd.core.sharing.history import ShareRow


class UserRole(StrEnum):
    """What a person may do; each includes the ones before. `open` is a visitor without login."""

    OPEN = "open"
    LOOK = "look"
    ACKNOWLEDGE = "acknowledge"
    CHANGE = "change"

    @property
    def rank(self) -> int:
        """0 for open, 3 for change."""
        return list(UserRole).index(self)

    def covers(self, needed: "UserRole") -> bool:
        """Whether this role may do what needs the other."""
        return self.rank >= needed.rank


@dataclass(frozen=True, slots=True)
class Viewer:
    """Who looks: name (empty without login), role, language of the texts, and the token of their forms."""

    name: str = ""
    role: UserRole = UserRole.OPEN
    language: str = "en"
    token: str = ""

    def sees(self, point: str, site: Site) -> bool:
        """Whether figures of this point are for this viewer: those of single rooms need the role of the plan."""
        rooms = any(point in copied.points for copied in site.copied)
        return not rooms or self.role.covers(UserRole(site.page.rooms))

    def may(self, needed: str) -> bool:
        """Whether the viewer's role covers the one of that name."""
        return self.role.covers(UserRole(needed))


class FindingReads(Protocol):
    """Findings as they are stored."""

    def all(self) -> list[FindingRow]:
        """Every finding, newest first."""

    def notes(self, name: str) -> list[FindingNote]:
        """Every change of one finding, oldest first."""

    def suppressions(self, since_ms: int) -> list[Suppression]:
        """Planned work that ends after a moment."""


class RecordRow(Protocol):
    """An exchange of instruments or a new name: what people did at a point."""

    @property
    def kind(self) -> str:
        """`exchange` or `rename`."""

    @property
    def at_ms(self) -> int:
        """When it took place."""

    @property
    def person(self) -> str:
        """Who did it."""

    @property
    def note(self) -> str:
        """Why."""


class RecordReads(Protocol):
    """Records as they are stored."""

    def all(self, point: str | None = None) -> Sequence[RecordRow]:
        """Records of one point or of all, in the order in which things happened."""


class CorrectionReads(Protocol):
    """Corrections as they are stored."""

    def all(self) -> list[Correction]:
        """Every correction ever, oldest first."""


class Reads(StoredFigures, StoredIntervals, StoredReadings, Facts, Protocol):
    """The read side of a store, as far as pages need it."""

    @property
    def finding_tables(self) -> FindingReads:
        """Findings with their life."""

    @property
    def records(self) -> RecordReads:
        """Exchanges and new names."""

    @property
    def corrections(self) -> CorrectionReads:
        """Dated corrections."""


class WebBackend(Protocol):
    """Everything the page is handed. Methods may be called from any thread."""

    @property
    def site(self) -> Site:
        """The plan that is in force."""

    def snapshot(self) -> Snapshot | None:
        """The newest snapshot; None before the first."""

    def now_ms(self) -> int:
        """The wall clock of the daemon."""

    def reader(self) -> AbstractContextManager[Reads]:
        """The read side of the store, for one look."""

    def health(self) -> Health:
        """How the program itself is."""

    def arrivals(self) -> Mapping[str, Arrivals]:
        """What is known of the deliveries of each point since the start."""

    def share_rows(self, from_ms: int, until_ms: int) -> list[ShareRow]:
        """What the shares of a span came to, a row per interval that is stored."""

    def pv_performance(self, from_ms: int, until_ms: int) -> tuple[Performance, ...]:
        """Yields and performance ratio of each array whose irradiance is read, by local day."""

    def forecast_scores(self, from_ms: int, until_ms: int) -> tuple[ForecastScore, ...]:
        """How good the forecasts that were given out in a span were; nothing where there were none."""

    def visible_errors(self) -> tuple[tuple[Visible, ...], str]:
        """The smallest visible error of each point, and whether it is from the `history` or the `plan`.

        Nothing and an empty word while it is being worked out: that takes seconds, so it is done once a day beside the asking.
        """

    def use_judged(self) -> tuple[int, int]:
        """How many loads have history enough for unusual use, and of how many; nothing before the first look of a start."""

    def roof_looks(self) -> dict[str, tuple[str, float | None]]:
        """By what each PV array is judged and the smallest loss (0..1) that would be found now; "" and None while it cannot be.

        Nothing before the first look of a start.
        """

    def document(self, request: DocumentRequest, person: str) -> tuple[str, str, bytes]:
        """A document as file name, media type and content; reports and allocations are recorded as issued to the person.

        MeterdError in words for what cannot be; ConfigError of these for a document that this site does not have.
        """

    def record_act(self, kind: str, person: str, what: str, address: str) -> None:
        """Write into the site's log of people what the page alone knows: logins, failed ones, logouts. Never fails."""

    def login_secret(self) -> str:
        """The client secret of the provider of [login]; empty without one, ConfigError if it cannot be had."""

    def order(self, kind: str, what: str, person: str, note: str) -> tuple[bool, str]:
        """Say something about a finding: `see`, `explain`, `close` or `accept`; whether it was done, and the answer in words."""

    def preview(self, correction: Correction) -> CorrectionPreview:
        """What entering a correction would change, or taking back the one of its number; takes seconds, changes nothing.

        MeterdError in words for what cannot be, ConfigError of these where the correction is what is wrong.
        """

    def correct(self, correction: Correction) -> tuple[bool, str]:
        """Enter a correction, or take the one of its number back, with its reason, in the name of its person.

        Whether it was done, and the answer in words. Closed figures follow within seconds.
        """

    def fitted(self, point: str) -> Fitted | None:
        """The instrument that is at a point and stays there; None if the plan has none."""

    def exchange(self, entry: ExchangeEntry, gap: Mapping[str, int] | None) -> ExchangeRecord:
        """An exchange checked against readings and plan; nothing is written. `gap` None: what usually flows at that time."""
