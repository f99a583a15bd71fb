"""Which units of a stated range answer on a Modbus line, and what their SunSpec models measure. It reads and never writes.

One request at a time with a pause behind it, because others may use the line. A unit that answers without SunSpec is named:
what its registers mean stands in its data sheet alone.
"""

import time
from collections.abc import Iterable, Iterator

from meterd.adapters.sources.modbus.sunspec import BASES, chain, item_of
from meterd.adapters.sources.modbus.sunspec_models import MODELS
from meterd.adapters.sources.modbus.transport import BEHIND_GATEWAY, MOST_REGISTERS, Declined, ModbusWire
from meterd.adapters.sources.number import NotANumber
from meterd.adapters.sources.polling import Garbage
from meterd.adapters.sources.scanned import ScannedMeter, ScannedUnit, ScannedValue
from meterd.adapters.sources.tcp import NoAnswer
from meterd.core.errors import SourceError
from meterd.core.model.reading import EXPORT, IMPORT, POWER, REGISTERS

PAUSE_S = 0.2  # behind each request: a line of 9600 baud is then free for most of the time
ABSENT = (*BEHIND_GATEWAY, 4)  # what gateways say in place of a unit that is not there
COUNTERS = ("TotWhImp", "WH")  # a new meter shows 0 there, which the standard reads as "not implemented"
INVERTERS = (101, 102, 103, 111, 112, 113, 701)
SCANNED = MODELS.keys() - {714, 802}  # the direct current behind an inverter and in a battery is no point of a board
# which point of a model is which register here; an inverter counts what it produces
REGISTER_OF = {
    "TotWhImp": IMPORT, "TotWhExp": EXPORT, "WH": IMPORT, "W": POWER, "Hz": "14.7.0",
    "TotWhInj": IMPORT, "TotWhAbs": EXPORT, "VL1": "32.7.0", "VL2": "52.7.0", "VL3": "72.7.0",
    "AL1": "31.7.0", "AL2": "51.7.0", "AL3": "71.7.0",
    "PhVphA": "32.7.0", "PhVphB": "52.7.0", "PhVphC": "72.7.0", "AphA": "31.7.0", "AphB": "51.7.0", "AphC": "71.7.0",
}  # fmt: skip


def scan(
    wire: ModbusWire, units: Iterable[int], *, pause_s: float = PAUSE_S
) -> Iterator[tuple[int, ScannedUnit | None]]:
    """Each unit with what it is, None if it is silent. SourceError if the line itself cannot be reached."""
    try:
        for unit in units:
            yield unit, _scanned(wire, unit, pause_s)
            time.sleep(pause_s)
    finally:
        wire.close()


def _scanned(wire: ModbusWire, unit: int, pause_s: float) -> ScannedUnit | None:
    def read(first: int, count: int) -> list[int]:
        registers = wire.read(unit, "holding", first, count)
        time.sleep(pause_s)
        return registers

    try:
        if not wire.is_open():
            wire.open()
        known = chain(read, BASES)
        if not known:
            read(0, 1)  # a unit that is not there declines this one with the same words
        meters = tuple(
            _meter(unit, key, read(at + 2, min(length, MOST_REGISTERS)))
            for key, (at, length) in known.items()
            if key[0] in SCANNED
        )
    except NoAnswer:
        return None
    except Declined as exc:
        return None if exc.code in ABSENT else ScannedUnit(unit, words=f"answers {exc}, so it is no SunSpec device")
    except Garbage as exc:
        return ScannedUnit(unit, words=f"answers, but not in a way that can be read: {exc}")
    except OSError as exc:
        raise SourceError(f"{exc}; is the address right, and the device on the network?") from exc
    return ScannedUnit(unit, meters, "" if meters else "answers, but has no SunSpec model of a meter or inverter")


def _meter(unit_number: int, key: tuple[int, int], registers: list[int]) -> ScannedMeter:
    model, nth = key
    values = []
    for name, register in REGISTER_OF.items():
        point = MODELS[model].get(name)
        if point is None:
            continue
        try:
            item = item_of(model, point, registers)
        except NotANumber:
            continue
        if item.value is not None or name in COUNTERS:
            place = f"{model}" if nth == 1 else f"{model}:{nth}"
            value, unit = None if item.value is None else float(item.value), item.unit or REGISTERS[register].unit
            values.append(ScannedValue(f"{unit_number}/{place}/{name}", register, value, unit))
    return ScannedMeter(f"SunSpec model {model}", nth, tuple(values), model in INVERTERS)
