"""Every protocol a source may speak: its settings, its class, its addresses. A new one is one file and one line here."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from meterd.adapters.sources import Source, http, mqtt
from meterd.adapters.sources.files import settings as files
from meterd.adapters.sources.modbus import source as modbus
from meterd.adapters.sources.modbus import sunspec
from meterd.adapters.sources.serial import iec62056_21, mbus, sml
from meterd.core.model.plan import Site
from meterd.core.model.plan import Source as SourceRow

Fault = tuple[str, str]  # what is wrong, and what would be right


@dataclass(frozen=True, slots=True)
class Protocol:
    """How one protocol is set up. `address_fault` is None where addresses are checked elsewhere."""

    settings: type[Any]  # frozen dataclass: one option per field
    settings_for: Callable[[SourceRow, Site], object]  # ConfigError for options that cannot work
    source: Callable[..., Source]
    address_fault: Callable[[str], Fault | None] | None = None
    fields: bool = False  # whether an input names a field of what its address gives


def _file_source(*row: Any, **options: Any) -> Source:
    from meterd.adapters.sources.files.source import FileSource  # loads pyarrow: 40 MB that few daemons need

    return FileSource(*row, **options)


PROTOCOLS: dict[str, Protocol] = {
    "mqtt": Protocol(mqtt.MqttSettings, mqtt.settings_for, mqtt.MqttSource, fields=True),
    "file": Protocol(files.FileSettings, lambda row, _site: files.settings_for(row), _file_source),
    "http": Protocol(http.HttpSettings, http.settings_for, http.HttpSource, http.address_fault, fields=True),
    "modbus": Protocol(modbus.ModbusSettings, modbus.settings_for, modbus.ModbusSource, modbus.address_fault),
    "sunspec": Protocol(sunspec.SunspecSettings, sunspec.settings_for, sunspec.SunspecSource, sunspec.address_fault),
    "mbus": Protocol(mbus.MbusSettings, mbus.settings_for, mbus.MbusSource, mbus.address_fault),
    "sml": Protocol(sml.SmlSettings, sml.settings_for, sml.SmlSource, sml.address_fault),
    "iec62056-21": Protocol(
        iec62056_21.ReadoutSettings, iec62056_21.settings_for, iec62056_21.ReadoutSource, iec62056_21.address_fault
    ),
}
