"""Memory that is free goes back to the system, and threads have no heaps of their own."""

import subprocess
import sys

CODE = """
import re, sys, threading
from pathlib import Path
from meterd.adapters.runtime.heap import give_back, one_heap

def resident():
    return int(re.search(r"RssAnon:\\s+(\\d+)", Path("/proc/self/status").read_text())[1])

if sys.argv[1] == "one":
    one_heap()
kept, lock = [], threading.Barrier(5)
def work():
    lock.wait()
    kept.append([bytes(2000) for _ in range(5000)])
    lock.wait()
threads = [threading.Thread(target=work) for _ in range(4)]
for thread in threads: thread.start()
lock.wait(); lock.wait()
for thread in threads: thread.join()
heaps = sum(int(line.split("-")[0], 16) % (64 << 20) == 0 for line in Path("/proc/self/maps").read_text().splitlines())
del kept[:3]
last = [bytes(2000)]
full = resident()
give_back()
print(heaps, full - resident())
"""


def test_threads_share_a_heap_and_what_is_free_goes_back() -> None:
    """In a process of its own: it changes the heap for good."""
    seen = {}
    for how in ("one", "each"):
        done = subprocess.run([sys.executable, "-c", CODE, how], capture_output=True, text=True, check=False)
        assert done.stderr == ""
        seen[how] = [int(word) for word in done.stdout.split()]
    assert seen["one"][0] < seen["each"][0]
    assert seen["one"][1] > 5_000, "kB of 30 MB; what lies between blocks that are used stays"
