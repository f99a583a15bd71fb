"""What a correction would change, before it is entered: worked out beside the books, which are only read.

The command shows it as it is (`foresee`). The page asks for it in a process of its own (`foreseen_beside`): of a year it
takes some ten seconds of a core, and neither the loop of the daemon nor that of the page may wait for them.
"""

import json
import pickle
import subprocess
import sys
import threading
from collections.abc import Mapping
from contextlib import closing, suppress
from dataclasses import dataclass, replace
from pathlib import Path

from meterd.app.supposed import SupposedStore
from meterd.app.touched import (
    Key,
    Touch,
    Value,
    differences,
    doubtful_ends,
    findings_of,
    papers_now,
    papers_of,
    picture,
)
from meterd.correction import FOREVER_MS, ChangedFigure, Correction, Foreseen
from meterd.errors import ConfigError, StoreError
from meterd.interval import text
from meterd.site import Site
from meterd.store.sqlite import Failure, SqliteStore

AGAIN = "is judged again"  # what becomes of a finding: the daemon says so after the next look, not the figures
NICENESS = 10  # the loop of the daemon comes first
LARGEST_BYTES = 4_000_000  # of an answer; ten years of forty points with all their allocations are below 1 MB

# The child ends with its parent (its standard input closes), also when the parent is killed.
CHILD = """
import os, sys, threading
try:
    os.nice(%d)
except OSError:
    pass  # a service that may not change its priority works it out all the same
from meterd.app.foreseen import answer
asked = sys.stdin.buffer.read(int(sys.argv[1]))
threading.Thread(target=lambda: (sys.stdin.buffer.read(), os._exit(1)), daemon=True).start()
sys.stdout.buffer.write(answer(asked))
sys.stdout.flush()
os._exit(0)
""" % (NICENESS,)  # noqa: UP031 - braces of the script stay braces


def foresee(path: Path, site: Site, one: Correction) -> Foreseen:
    """What becomes different when a correction is entered, or taken back if it has a number.

    ConfigError where figures cannot be made again, StoreError if there is no store.
    """
    channel, span = (one.point, one.register), (one.from_ms, one.reach_ms)
    known = corrections(path)
    kept = [c for c in known if c.id != one.id]
    wanted = kept if one.id else [*kept, replace(one, id=len(known) + 1)]  # the newest
    with (
        closing(SqliteStore.reader(path)) as now,
        closing(SupposedStore.of(path, site, channel, span, wanted)) as then,
    ):
        touch = touch_of(one, now)
        figures = changed(picture(now, site, touch), picture(then, site, touch))
        figures += findings_changed(now, site, touch, None) + papers_changed(then, site, touch)
        return Foreseen(tuple(figures), doubtful(then, site, touch))


def touch_of(one: Correction, store: SqliteStore) -> Touch:
    """The register and the time that a correction touches; of a single reading also what goes before it."""
    channel = (one.point, one.register)
    before = store.anchor(channel, one.from_ms - 1) if one.reads else None
    return Touch(channel, one.from_ms if before is None else before[1].at_ms, one.reach_ms)


def corrections(path: Path) -> list[Correction]:
    """All corrections of a store; StoreError if they cannot be read."""
    with closing(SqliteStore.reader(path)) as store:
        try:
            return store.corrections.all()
        except Failure as exc:
            words = "a store of an earlier version is brought forward when the daemon starts"
            raise StoreError(f"cannot read corrections: {exc}; {words}") from exc


def changed(before: Mapping[Key, Value], after: Mapping[Key, Value]) -> list[ChangedFigure]:
    """The figures that are not the same in two pictures."""
    return [ChangedFigure(*key, old, new) for key, old, new in differences(before, after)]


def findings_changed(
    store: SqliteStore, site: Site, touch: Touch, states: Mapping[str, str] | None
) -> list[ChangedFigure]:
    """Findings of the time: their state before, and now; without `states` the one they have, for they are judged again."""
    found = []
    for row in findings_of(store, site, touch):
        name, now = row.finding.id, str(row.state)
        before, after = (now, AGAIN) if states is None else (states.get(name, "none"), now)
        found.append(ChangedFigure("finding", text(row.first_ms), name, before, after))
    return found


def papers_changed(store: SqliteStore, site: Site, touch: Touch) -> list[ChangedFigure]:
    """Papers that were given out: the figure as issued, and as the books of `store` have it."""
    now = papers_now(store, site, touch)
    return [
        ChangedFigure(*key, value, now[key])
        for key, value in papers_of(store, site, touch).items()
        if value != now[key]
    ]


def doubtful(store: SqliteStore, site: Site, touch: Touch) -> tuple[int, ...]:
    """Ends of the correction between readings far apart: the energy of the gap is split there by an estimate."""
    return tuple(moment for moment in doubtful_ends(store, site, touch) if moment < FOREVER_MS)


# -- in a process of its own -------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Asked:
    path: Path
    site: Site
    one: Correction


def answer(asked: bytes) -> bytes:
    """What the child says to what it was asked: what was foreseen, or why it cannot be told."""
    what = pickle.loads(asked)  # from our own parent, by its pipe
    assert isinstance(what, _Asked), "this is what the parent asks"
    try:
        found = foresee(what.path, what.site, what.one)
    except ConfigError as exc:
        said: dict[str, object] = {"cannot": str(exc)}
    except StoreError as exc:
        said = {"store": str(exc)}
    else:
        rows = [(f.what, f.period, f.subject, f.before, f.after) for f in found.figures]
        said = {"figures": rows, "doubtful": found.doubtful_ms}
    return json.dumps(said).encode()


def foreseen_beside(path: Path, site: Site, one: Correction, limit_s: float) -> Foreseen:
    """The same as `foresee`, worked out by a child process; StoreError also if it takes longer than the limit."""
    asked, late = pickle.dumps(_Asked(path, site, one)), threading.Event()
    with subprocess.Popen(
        [sys.executable, "-P", "-c", CHILD, str(len(asked))],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        start_new_session=True,  # Ctrl+C in the terminal ends us, and the child ends with us
    ) as child:

        def end() -> None:
            late.set()
            child.kill()

        timer = threading.Timer(limit_s, end)
        timer.start()
        try:
            said, wrong = _talk(child, asked)
        finally:
            timer.cancel()
            child.kill()
    if late.is_set():
        raise StoreError(f"it takes longer than {limit_s:.0f} s; ask for a shorter time")
    return _heard(said, wrong)


def _talk(child: "subprocess.Popen[bytes]", asked: bytes) -> tuple[bytes, bytes]:
    """Ask, and listen until the child ends; its standard input stays open so long, for the child ends with it."""
    assert child.stdin is not None, "asked for"
    assert child.stdout is not None, "asked for"
    assert child.stderr is not None, "asked for"
    try:
        child.stdin.write(asked)
        child.stdin.flush()
    except BrokenPipeError:  # a child that died has its reason on its standard error
        with suppress(BrokenPipeError):  # what was not sent would be tried once more at the end
            child.stdin.close()
    said = child.stdout.read(LARGEST_BYTES)
    return said, b"" if said else child.stderr.read(LARGEST_BYTES)


def _heard(said: bytes, wrong: bytes) -> Foreseen:
    try:
        fields = json.loads(said)
    except ValueError as exc:
        lines = wrong.decode(errors="replace").strip().splitlines()
        raise StoreError(f"it could not be worked out: {lines[-1][:300] if lines else 'the process ended'}") from exc
    if "cannot" in fields:
        raise ConfigError(fields["cannot"])
    if "store" in fields:
        raise StoreError(fields["store"])
    return Foreseen(tuple(ChangedFigure(*row) for row in fields["figures"]), tuple(fields["doubtful"]))
