"""Options of a file source, checked without opening a file: the plan is read where no file is."""

from dataclasses import dataclass
from typing import Literal
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from meterd.adapters.sources import settings_from
from meterd.core.errors import ConfigError
from meterd.core.model.plan import Source as SourceRow

EPOCH_PER_MS = {"s": (1000, 1), "ms": (1, 1), "us": (1, 1000), "ns": (1, 1_000_000)}  # times, then divided by


@dataclass(frozen=True, slots=True)
class TimeRule:
    """How times of a file are written: `unit` of numbers (empty = none expected), `zone` of times without one."""

    unit: str = ""
    zone: ZoneInfo | None = None


@dataclass(frozen=True, slots=True)
class FileSettings:
    """Options of a file source."""

    protocol: Literal["file"] = "file"
    path: str = ""  # folder that the daemon watches; relative to the plan's folder
    time_column: str = "time"
    time_unit: str = ""  # of times that are numbers: s, ms, us or ns; empty = times are text or time stamps
    zone: str = ""  # IANA zone of times without offset; empty = every time names its offset
    delimiter: str = ","
    poll_s: float = 5.0  # how often the folder is looked at; files of loggers grow by the minute


def settings_for(row: SourceRow) -> FileSettings:
    """The options of a file source, checked. ConfigError names every fault."""
    settings = settings_from(FileSettings, row, {})
    if settings.time_unit and settings.time_unit not in EPOCH_PER_MS:
        raise ConfigError(f"source {row.name}: time_unit must be one of {', '.join(EPOCH_PER_MS)}")
    if len(settings.delimiter) != 1 or settings.poll_s <= 0:
        raise ConfigError(f"source {row.name}: delimiter is one character, poll_s is above 0")
    time_rule(settings)
    return settings


def time_rule(settings: FileSettings) -> TimeRule:
    """How the times of a source are read; ConfigError for an unknown zone."""
    if not settings.zone:
        return TimeRule(settings.time_unit)
    try:
        return TimeRule(settings.time_unit, ZoneInfo(settings.zone))
    except (ZoneInfoNotFoundError, ValueError) as exc:
        raise ConfigError(f"zone {settings.zone!r} is unknown; write an IANA name such as Europe/Berlin") from exc
