"""The running interval against the contract: to what mean it will come, and how sure it is that it passes."""

from dataclasses import dataclass
from enum import StrEnum

GOES_AT = 0.98  # of the contract at which a warning that has come goes again: noise of some percent does not switch it


@dataclass(frozen=True, slots=True)
class DemandOutlook:
    """The mean import of the running interval at its end, in W: one of ten ends below `low_w`, one of ten above `high_w`.

    `forecast`: the forecast of the site has a part in it. Without one the draw stays (`middle_w` and `high_w`), and only what
    has been counted is certain (`low_w`).
    """

    at_ms: int
    low_w: float
    middle_w: float
    high_w: float
    forecast: bool


class DemandWarning(StrEnum):
    """In three steps, whether the interval will pass the contract; the words are published."""

    NONE = "none"
    POSSIBLE = "possible"  # the upper end of the band passes it
    LIKELY = "likely"  # the expected mean passes it
    CERTAIN = "certain"  # the lower end of the band passes it: only less load at once can help, or nothing any more


# What the bare number of a warning means.
WARNINGS: dict[str, int] = {warning.value: code for code, warning in enumerate(DemandWarning)}


def next_warning(
    before: DemandWarning | None, outlook: DemandOutlook | None, contracted_w: int | None
) -> DemandWarning | None:
    """The warning after the one before it; None while nothing is known, or without a contract.

    A step comes when its end of the band passes the contract, and goes below 0.98 of it.

    >>> ahead = DemandOutlook(0, 80e3, 99e3, 105e3, True)
    >>> [next_warning(DemandWarning(word), ahead, 100_000).value for word in ("none", "likely")]
    ['possible', 'likely']
    """
    if outlook is None or contracted_w is None:
        return None
    steps = (DemandWarning.POSSIBLE, DemandWarning.LIKELY, DemandWarning.CERTAIN)
    reached = 0 if before is None else WARNINGS[before]
    result = DemandWarning.NONE
    for step, watt in zip(steps, (outlook.high_w, outlook.middle_w, outlook.low_w), strict=True):
        stays = WARNINGS[step] <= reached
        if watt > contracted_w * (GOES_AT if stays else 1.0):
            result = step
    return result
