"""OBIS codes as a plan writes them and as telegrams carry them (IEC 62056-6-1, value groups A-B:C.D.E*F). Pure."""

import re

from meterd.adapters.sources.modbus.registers import AddressFault

_CODE = re.compile(
    r"(?:([0-9]{1,3})-([0-9]{1,3}):)?([0-9A-F]{1,3})\.([0-9A-F]{1,3})(?:\.([0-9A-F]{1,3}))?(?:[*&]([0-9]{1,3}))?",
    re.ASCII,
)


def short(code: str) -> str | None:
    """The code without what goes without saying: `1-0:` (electricity, channel 0) and `*255` (now). None if it is no code.

    >>> short("1-0:1.8.0*255"), short("0-1:24.2.1"), short("1.8.0*01")
    ('1.8.0', '0-1:24.2.1', '1.8.0*01')
    """
    match = _CODE.fullmatch(code)
    if match is None:
        return None
    medium, channel, c, d, e, past = match.groups()
    if medium is not None and max(int(medium), int(channel)) > 255:
        return None
    front = "" if medium is None or (int(medium), int(channel)) == (1, 0) else f"{int(medium)}-{int(channel)}:"
    back = "" if past is None or int(past) == 255 else f"*{past}"
    return f"{front}{c}.{d}.{e}{back}" if e is not None else f"{front}{c}.{d}{back}"


def of_bytes(code: bytes) -> str:
    """The short code of the six bytes of a telegram."""
    a, b, c, d, e, f = code
    return short(f"{a}-{b}:{c}.{d}.{e}*{f}") or code.hex()


def parse(address: str) -> str:
    """The short code of an address; AddressFault if it is none."""
    result = short(address)
    if result is None:
        raise AddressFault(f"{address[:60]!r} is no OBIS code", "write one such as 1.8.0 or 1-0:1.8.0*255")
    return result


def address_fault(address: str) -> tuple[str, str] | None:
    """What is wrong with an address, and what would be right; None if nothing."""
    try:
        parse(address)
    except AddressFault as fault:
        return fault.what, fault.right
    return None
