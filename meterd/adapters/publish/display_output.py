"""When the message for displays is due: at a change that a person sees, at most every few seconds, and at each heartbeat."""

from meterd.core.model.snapshot import Snapshot
from meterd.core.topics.display import display_fields, display_payload
from meterd.core.topics.message import JSON, Message

PAUSE_S = 2.0  # a display is read, not integrated
ALWAYS_OTHER = ("at", "age_s")


class DisplayOutput:
    """What was last sent; belongs to a publisher."""

    def __init__(self, root: str) -> None:
        self._topic = f"{root}/display"
        self._sent: dict[str, object] = {}
        self._sent_s = -1e9

    def due(self, snapshot: Snapshot, clock_s: float) -> Message | None:
        """The message, if it is time for one."""
        limits = snapshot.site.limits
        since_s = clock_s - self._sent_s
        if since_s < PAUSE_S or (since_s < limits.publish_every_s - 1 and self._content(snapshot) == self._sent):
            return None
        valid_s = limits.power_max_age_s + 2 * limits.publish_every_s
        return Message(self._topic, display_payload(snapshot), JSON, valid_s)

    def sent(self, snapshot: Snapshot, clock_s: float) -> None:
        """Note that it was handed to the network."""
        self._sent, self._sent_s = self._content(snapshot), clock_s

    def forget(self) -> None:
        """It is due again: the broker may have lost it."""
        self._sent_s = -1e9

    @staticmethod
    def _content(snapshot: Snapshot) -> dict[str, object]:
        return {name: value for name, value in display_fields(snapshot).items() if name not in ALWAYS_OTHER}
