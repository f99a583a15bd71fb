"""Every protocol a source may speak: its settings, its class, its addresses. A new one is one file and one entry here.

A protocol is loaded with the first question about it: most plans name one or two, and each brings a library of its own.
"""

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any

from meterd.adapters.sources import Source
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


@cache
def _mqtt() -> Protocol:
    from meterd.adapters.sources.mqtt_settings import MqttSettings, settings_for

    def source(*row: Any, **options: Any) -> Source:
        from meterd.adapters.sources.mqtt import MqttSource

        return MqttSource(*row, **options)

    return Protocol(MqttSettings, settings_for, source, fields=True)


@cache
def _file() -> Protocol:
    from meterd.adapters.sources.files import settings

    def source(*row: Any, **options: Any) -> Source:
        from meterd.adapters.sources.files.source import FileSource

        return FileSource(*row, **options)

    return Protocol(settings.FileSettings, lambda row, _site: settings.settings_for(row), source)


@cache
def _http() -> Protocol:
    from meterd.adapters.sources.http import HttpSettings, HttpSource, address_fault, settings_for

    return Protocol(HttpSettings, settings_for, HttpSource, address_fault, fields=True)


@cache
def _modbus() -> Protocol:
    from meterd.adapters.sources.modbus import source as modbus

    return Protocol(modbus.ModbusSettings, modbus.settings_for, modbus.ModbusSource, modbus.address_fault)


@cache
def _sunspec() -> Protocol:
    from meterd.adapters.sources.modbus import sunspec

    return Protocol(sunspec.SunspecSettings, sunspec.settings_for, sunspec.SunspecSource, sunspec.address_fault)


@cache
def _mbus() -> Protocol:
    from meterd.adapters.sources.serial import mbus

    return Protocol(mbus.MbusSettings, mbus.settings_for, mbus.MbusSource, mbus.address_fault)


@cache
def _sml() -> Protocol:
    from meterd.adapters.sources.serial import sml

    return Protocol(sml.SmlSettings, sml.settings_for, sml.SmlSource, sml.address_fault)


@cache
def _iec62056_21() -> Protocol:
    from meterd.adapters.sources.serial import iec62056_21

    return Protocol(
        iec62056_21.ReadoutSettings, iec62056_21.settings_for, iec62056_21.ReadoutSource, iec62056_21.address_fault
    )


@cache
def _dlms_push() -> Protocol:
    from meterd.adapters.sources.serial import dlms_push

    return Protocol(
        dlms_push.DlmsPushSettings, dlms_push.settings_for, dlms_push.DlmsPushSource, dlms_push.address_fault
    )


_LOADERS: dict[str, Callable[[], Protocol]] = {
    "mqtt": _mqtt,
    "file": _file,
    "http": _http,
    "modbus": _modbus,
    "sunspec": _sunspec,
    "mbus": _mbus,
    "sml": _sml,
    "iec62056-21": _iec62056_21,
    "dlms-push": _dlms_push,
}


class _Protocols(Mapping[str, Protocol]):
    """The protocols by name; a name is known without loading its protocol."""

    def __getitem__(self, name: str) -> Protocol:
        return _LOADERS[name]()

    def __iter__(self) -> Iterator[str]:
        return iter(_LOADERS)

    def __len__(self) -> int:
        return len(_LOADERS)


PROTOCOLS: Mapping[str, Protocol] = _Protocols()
