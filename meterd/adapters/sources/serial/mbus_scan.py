"""Which primary addresses of a stated range answer on an M-Bus line, and what those meters measure. It reads and never writes.

One request at a time with a pause behind it, because others may use the line.
"""

import re
import time
from collections.abc import Iterable, Iterator

from meterd.adapters.sources import wall_ms
from meterd.adapters.sources.polling import Garbage
from meterd.adapters.sources.scanned import ScannedMeter, ScannedUnit, ScannedValue
from meterd.adapters.sources.serial.mbus import MbusLine, MbusSettings
from meterd.adapters.sources.serial.mbus_records import parse
from meterd.adapters.sources.tcp import NoAnswer
from meterd.core.errors import SourceError
from meterd.core.model.plan import Site
from meterd.core.model.reading import IMPORT, REGISTERS

SHARED = "answers, but not in a way that can be read; do several meters have this address?"


def scan(
    settings: MbusSettings, primaries: Iterable[int], *, pause_s: float
) -> Iterator[tuple[int, ScannedUnit | None]]:
    """Each address with the meter behind it, None if it is silent. SourceError if the line itself cannot be reached."""
    line = MbusLine(settings, (), Site("scan", "UTC"), wall_ms)
    try:
        for primary in primaries:
            yield primary, _scanned(line, primary)
            time.sleep(pause_s)
    finally:
        line.close()


def _scanned(line: MbusLine, primary: int) -> ScannedUnit | None:
    try:
        if not line.is_open():
            line.open()
        frames, _ = line.ask(str(primary))
    except NoAnswer:
        return None
    except Garbage as exc:
        return ScannedUnit(primary, words=f"{SHARED} ({exc})")
    except OSError as exc:
        raise SourceError(f"{exc}; is the address right, and the level converter on the network?") from exc
    telegrams = [parse(frame) for frame in frames]
    records = {record.obis: record for telegram in reversed(telegrams) for record in reversed(telegram.records)}
    tariffs = [code for code in records if re.fullmatch(r"1\.8\.[1-9]", code)]
    if IMPORT not in records and len(tariffs) == 1:  # a meter with one tariff may call its energy that of tariff 1
        records[IMPORT] = records[tariffs[0]]
    values = tuple(
        ScannedValue(f"{primary}/{record.obis}", register, _number(record.item.value), record.item.unit)
        for register, record in sorted(records.items())
        if register in REGISTERS
    )
    title = f"M-Bus meter {telegrams[0].secondary or 'without identity'}"
    if not values:
        return ScannedUnit(primary, words=f"is {title}, but shows no energy or power of electricity")
    return ScannedUnit(primary, (ScannedMeter(title, 1, values),))


def _number(value: float | None) -> float | None:
    return None if value is None else float(value)
