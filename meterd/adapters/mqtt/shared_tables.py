"""The library's properties of a packet, without making the table of all that MQTT 5 knows anew for each packet.

A work-around for paho-mqtt 2.2.0, where that is a third of the time of reading a message. What properties mean, and how
they are read and written, stays the library's own. tests/adapters/mqtt/test_shared_tables.py fails without it.
"""

from paho.mqtt import _packet
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

_KEPT = ("types", "names", "properties")
_PLAIN = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]  # paho 2.2.0 leaves it without types
_TABLES = {name: vars(_PLAIN)[name] for name in _KEPT}


class SharedTables(Properties):
    """Properties of one packet; the tables, which nobody changes, are the same for all."""

    def __init__(self, packet_type: int) -> None:
        vars(self).update(_TABLES, packetType=packet_type)

    def clear(self) -> None:
        """Forget what was set, if anything was."""
        if len(vars(self)) > len(_TABLES) + 1:
            super().clear()  # type: ignore[no-untyped-call]


def share_tables() -> None:
    """Let the library read packets with them (private name, paho-mqtt < 3)."""
    _packet.Properties = SharedTables  # type: ignore[attr-defined]  # not exported
