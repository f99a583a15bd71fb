"""What registers show, as a person reads it off a meter."""

import re
from decimal import Decimal

from meterd.core.errors import ConfigError
from meterd.core.model.reading import REGISTERS, UNITS
from meterd.core.model.written import plain_number

MOST_SHOWN = 10**18  # thousandths: what is stored has 64 bits
ENERGIES = ("MWh", "kWh", "Wh", "Mvarh", "kvarh", "varh", "imp")


def readings(text: str, registers: list[str], option: str) -> dict[str, int]:
    """What registers showed, in thousandths, by OBIS code: `123.4kWh` or `import=123.4kWh export=0`."""
    codes = {kind.name: kind.obis for kind in REGISTERS.values()} | {obis: obis for obis in REGISTERS}
    results: dict[str, int] = {}
    for part in re.sub(rf"(?<=[0-9]) +(?=(?:{'|'.join(ENERGIES)})(?: |$))", "", text).split():
        name, sign, figure = part.rpartition("=")
        register = codes.get(name) if sign else registers[0]
        if register not in registers or register in results:
            raise ConfigError(f"{option} {part}: the plan reads here, once each, {', '.join(registers)}")
        results[register] = _milli(figure, option)
    missing = [REGISTERS[r].name for r in registers if r not in results]
    if missing:
        raise ConfigError(
            f"{option} lacks {', '.join(missing)}: without it the energy across the exchange is not known"
        )
    return results


def _milli(figure: str, option: str) -> int:
    unit = next((unit for unit in ENERGIES if figure.endswith(unit)), "")
    try:
        number = plain_number(figure.removesuffix(unit))
    except ValueError as exc:
        raise ConfigError(f"{option} {figure}: {exc}") from exc
    try:
        exact = Decimal(number) * 1000 * Decimal(UNITS[unit or "Wh"][1])
        if exact < 0 or exact != exact.to_integral_value():
            raise ConfigError(f"{option} {figure}: write 0 or more, down to a thousandth of Wh")
        if exact >= MOST_SHOWN:
            raise ConfigError(f"{option} {figure}: no register shows that much; write less than 1000 TWh")
        return int(exact)
    except ArithmeticError as exc:  # also what is no number at all
        raise ConfigError(f"{option} {figure}: write a number such as 123456 (Wh) or 123.4 kWh") from exc
