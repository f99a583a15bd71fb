"""The surplus as one word, for a lamp: with a gap between coming and going, so that it does not flicker."""

from enum import StrEnum

GOES_AT = 0.7  # of the threshold at which a word comes: a cloud's edge passes it once, noise of some percent never


class SurplusLevel(StrEnum):
    """The words, which are published."""

    NONE = "none"
    SOME = "some"
    PLENTY = "plenty"
    UNKNOWN = "unknown"


# What the bare number of a level means.
LEVELS: dict[str, int] = {level.value: code for code, level in enumerate(SurplusLevel)}


def next_level(before: SurplusLevel, power_w: float | None, some_w: float, plenty_w: float) -> SurplusLevel:
    """The word for a surplus in W after the word before it; None is unknown at once.

    A word comes at its threshold and goes below 0.7 of it. After "unknown" thresholds count as they are.

    >>> [next_level(SurplusLevel(word), 900, 1000, 5000).value for word in ("none", "some")]
    ['none', 'some']
    """
    if power_w is None:
        return SurplusLevel.UNKNOWN
    if power_w >= plenty_w * (GOES_AT if before is SurplusLevel.PLENTY else 1.0):
        return SurplusLevel.PLENTY
    stays = before in (SurplusLevel.SOME, SurplusLevel.PLENTY)
    return SurplusLevel.SOME if power_w >= some_w * (GOES_AT if stays else 1.0) else SurplusLevel.NONE
