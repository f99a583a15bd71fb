"""The collector of garbage: it need not look again and again at what stays for as long as the daemon runs."""

import atexit
import gc

# newly made objects before it looks: a tick of a large site makes some thousands, which are gone at its end; what waits
# for it in circles takes 4 MB at the most, which a small site does not need
YOUNG, YOUNG_LEAST, YOUNG_OF_POINT = 20_000, 2_000, 20


def spare_what_stays(points: int) -> None:
    """To be called when everything of a plan is made: points, registers, topics.

    At 5,000 points the collector took 14 % of the processor time of the daemon. What a plan that was replaced left in
    circles goes with the next call: otherwise each change of a plan of 80 points kept 0.4 MB.
    """
    gc.unfreeze()
    gc.collect()
    gc.freeze()
    gc.set_threshold(min(YOUNG, max(YOUNG_LEAST, YOUNG_OF_POINT * points)))


def spare_a_start() -> None:
    """To be called when a command begins: nearly all it makes while it loads its modules are code and classes.

    To look for circles among them every 700 objects, and in all of them once more at the end of the process, was a
    seventh of the processor time of a short command.
    """
    gc.set_threshold(YOUNG)
    atexit.register(gc.freeze)
