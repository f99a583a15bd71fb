"""How long to wait after failures in a row before something is tried again."""

import random

DOUBLINGS = 20  # 2^20 times the first wait is beyond any limit, and no overflow


def backoff_s(
    failures: int, *, first_s: float, most_s: float = float("inf"), spread: tuple[float, float] = (1.0, 1.0)
) -> float:
    """Seconds to wait after so many failures in a row (1 = the first): doubled with each, at most `most_s`.

    The wait is then multiplied by a number drawn from `spread`, so that many who failed together do not come back
    together.

    >>> [backoff_s(failures, first_s=1.0, most_s=30.0) for failures in (1, 2, 3, 6, 1000)]
    [1.0, 2.0, 4.0, 30.0, 30.0]

    Source: exponential backoff with jitter, common practice.
    """
    longest = min(most_s, first_s * 2.0 ** min(max(0, failures - 1), DOUBLINGS))
    return longest * random.uniform(*spread)
