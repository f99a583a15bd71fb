"""Every protocol a source may speak: its settings, its class, its addresses. A new one is one file and one line here."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from meterd.site import Site
from meterd.site import Source as SourceRow
from meterd.sources import Source, files, history, iec62056_21, mbus, modbus, mqtt, sml, sunspec

Fault = tuple[str, str]  # what is wrong, and what would be right


@dataclass(frozen=True, slots=True)
class Protocol:
    """How one protocol is set up. `address_fault` is None where addresses are checked elsewhere."""

    settings: type[Any]  # frozen dataclass: one option per field
    settings_for: Callable[[SourceRow, Site], object]  # ConfigError for options that cannot work
    source: Callable[..., Source]
    address_fault: Callable[[str], Fault | None] | None = None


PROTOCOLS: dict[str, Protocol] = {
    "mqtt": Protocol(mqtt.MqttSettings, mqtt.settings_for, mqtt.MqttSource),
    "file": Protocol(history.FileSettings, lambda row, _site: history.settings_for(row), files.FileSource),
    "modbus": Protocol(modbus.ModbusSettings, modbus.settings_for, modbus.ModbusSource, modbus.address_fault),
    "sunspec": Protocol(sunspec.SunspecSettings, sunspec.settings_for, sunspec.SunspecSource, sunspec.address_fault),
    "mbus": Protocol(mbus.MbusSettings, mbus.settings_for, mbus.MbusSource, mbus.address_fault),
    "sml": Protocol(sml.SmlSettings, sml.settings_for, sml.SmlSource, sml.address_fault),
    "iec62056-21": Protocol(
        iec62056_21.ReadoutSettings, iec62056_21.settings_for, iec62056_21.ReadoutSource, iec62056_21.address_fault
    ),
}
