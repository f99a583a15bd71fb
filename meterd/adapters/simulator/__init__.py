"""The demo: a simulated site with its own physics, its instruments, its faults and a live summary in the terminal.

Nothing here is used by the daemon. The physics is written independently of the daemon's formulas, so that what the
daemon finds can be compared with what was planted.
"""
