"""What people ask for - of findings, corrections, records - on its way to the one process that writes the store.

Beside the store lies a folder `<store>.orders`: the command puts one file per order there, the daemon carries it out,
takes the file away and leaves an answer. An order has a name of its own, so that one that was carried out just before a
power cut is not carried out twice.
"""

import json
import os
import secrets
import stat
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import asdict, dataclass
from pathlib import Path

from meterd.core.errors import ConfigError, StoreError
from meterd.core.model.finding import refused_text

FINDING_KINDS = ("see", "explain", "close", "accept", "suppress", "resume")
RECORD_KINDS = ("correct", "withdraw", "record", "issue")  # what changes stored figures and their history
RUN, PRUNE = "run", "prune"  # a job of the calendar, now; what one has found may be deleted
KINDS = (*FINDING_KINDS, *RECORD_KINDS, RUN, PRUNE)
LARGEST_BYTES = 262_144  # a report of 3,000 registers is the largest; anything larger is something else
AT_ONCE = 20  # orders in one look: each is a transaction of some milliseconds, and the loop has other work
ANSWER_LIFE_S = 3600  # an answer nobody fetched
ORDER, ANSWER = ".order", ".answer"
ANSWER_LIMIT_S = 10.0  # the daemon looks for orders once a second, and a busy tick takes a second or so
_POLL_S = 0.05
_SAFE = frozenset("0123456789abcdef-")


@dataclass(frozen=True, slots=True)
class Order:
    """What is asked, by whom and why. `what` is a finding's id, a name or pattern, or a number; `details` a JSON object."""

    name: str
    kind: str
    what: str
    person: str
    note: str = ""
    cause: str = "*"
    from_ms: int = 0
    until_ms: int = 0
    details: str = ""


def new_order(kind: str, what: str, person: str, note: str = "", **rest: str | int) -> Order:
    """An order with a fresh name; ConfigError for what cannot be carried out or kept."""
    name = f"{time.time_ns():020d}-{secrets.token_hex(4)}"
    return _sound({"name": name, "kind": kind, "what": what, "person": person, "note": note, **rest})


def _sound(fields: dict[str, object]) -> Order:
    """The order of these fields; ConfigError names what is wrong with it."""
    for key, kind in (
        ("name", str),
        ("kind", str),
        ("what", str),
        ("person", str),
        ("note", str),
        ("cause", str),
        ("details", str),
    ):
        if not isinstance(fields.get(key, ""), kind):
            raise ConfigError(f"{key} of the order is not a text")
    for key in ("from_ms", "until_ms"):
        value = fields.get(key, 0)
        if not isinstance(value, int) or isinstance(value, bool) or not 0 <= value < 2**53:
            raise ConfigError(f"{key} of the order is not a time")
    try:
        order = Order(**fields)  # type: ignore[arg-type]  # each was looked at above
    except TypeError as exc:
        raise ConfigError("the order is incomplete or has an unknown field") from exc
    if order.kind not in KINDS:
        raise ConfigError(f"nobody can {order.kind[:20]!r} here; known: {', '.join(KINDS)}")
    must = (
        ("what", "person", "cause")
        if order.kind in ("see", "resume", "issue", RUN, PRUNE)
        else ("what", "person", "cause", "note")
    )
    for key in must:
        if reason := refused_text(str(getattr(order, key))):
            raise ConfigError(f"{key} cannot be stored: {reason}")
    if order.note and (reason := refused_text(order.note)):
        raise ConfigError(f"note cannot be stored: {reason}")
    if order.kind == "suppress" and order.from_ms >= order.until_ms:
        raise ConfigError("the window ends before it begins; --from must be before --until")
    numbered = {"resume": "window", "withdraw": "correction"}.get(order.kind)
    if numbered and not (order.what.isascii() and order.what.isdigit() and len(order.what) < 18):
        raise ConfigError(f"{order.what!r} is not the number of a {numbered}")
    return order


class OrderFolder:
    """The folder beside a store, seen from both sides."""

    def __init__(self, store: Path) -> None:
        self._folder = store.with_name(store.name + ".orders")

    # -- the side that asks --------------------------------------------------------------------------------------------

    def put(self, order: Order) -> None:
        """Leave an order; StoreError if the folder cannot be written."""
        try:
            self._folder.mkdir(exist_ok=True)
            self._write(order.name + ORDER, json.dumps(asdict(order), ensure_ascii=False))
        except OSError as exc:
            raise StoreError(
                f"cannot leave an order in {self._folder}: {exc.strerror}; the daemon reads it there"
            ) from exc

    def withdraw(self, order: Order) -> bool:
        """Take an order back that nobody has fetched; False if it is gone already."""
        try:
            (self._folder / (order.name + ORDER)).unlink()
        except FileNotFoundError:
            return False
        return True

    def answer(self, order: Order) -> tuple[bool, str] | None:
        """Whether it was done, and the words; None while there is no answer."""
        path = self._folder / (order.name + ANSWER)
        content = _content(path)
        if content is None:
            return None
        with suppress(OSError):
            path.unlink()
        try:
            fields = json.loads(content)
            return bool(fields["done"]), str(fields["words"])
        except (ValueError, TypeError, KeyError, RecursionError):
            return False, "the answer cannot be read"

    # -- the side that carries out -------------------------------------------------------------------------------------

    def carry_out(self, work: Callable[[Order], str]) -> int:
        """Carry out what lies there, oldest first; returns how many. A StoreError of the work leaves the order for later."""
        try:
            with os.scandir(self._folder) as entries:
                names = sorted(entry.name for entry in entries if not entry.is_dir(follow_symlinks=False))
        except OSError:
            return 0  # nobody has asked for anything yet
        self._forget([name for name in names if name.endswith(ANSWER)])
        orders = [name for name in names if name.endswith(ORDER) and set(name.removesuffix(ORDER)) <= _SAFE][:AT_ONCE]
        for file in orders:
            name = file.removesuffix(ORDER)
            try:
                done, text = True, work(self._read(name))
            except ConfigError as exc:
                done, text = False, str(exc)
            with suppress(OSError):  # the answer is a courtesy; the order itself is in the store
                self._write(name + ANSWER, json.dumps({"done": done, "words": text}, ensure_ascii=False))
            with suppress(OSError):
                (self._folder / file).unlink()
        return len(orders)

    def _read(self, name: str) -> Order:
        content = _content(self._folder / (name + ORDER))
        if content is None:
            raise ConfigError("the order is not a plain file of reasonable size")
        try:
            fields = json.loads(content)
        except (ValueError, RecursionError) as exc:
            raise ConfigError("the order is not JSON") from exc
        if not isinstance(fields, dict):
            raise ConfigError("the order is not an object")
        return _sound({**fields, "name": name})

    def _forget(self, answers: list[str]) -> None:
        for name in answers:
            with suppress(OSError):
                path = self._folder / name
                if time.time() - path.lstat().st_mtime > ANSWER_LIFE_S:
                    path.unlink()

    def _write(self, name: str, content: str) -> None:
        """Whole or not at all: the other side never sees half a file."""
        part = self._folder / f".{name}.part"
        part.write_text(content, encoding="utf-8")
        part.replace(self._folder / name)


def _content(path: Path) -> bytes | None:
    """The content of a plain file of reasonable size; None for everything else (a link, a pipe, a folder)."""
    try:
        handle = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK)
    except OSError:
        return None
    try:
        about = os.fstat(handle)
        plain = stat.S_ISREG(about.st_mode) and about.st_size <= LARGEST_BYTES
        return os.read(handle, LARGEST_BYTES) if plain else None
    except OSError:
        return None
    finally:
        os.close(handle)


def ask(order: "Order", path: Path, limit_s: float = ANSWER_LIMIT_S) -> tuple[bool, str]:
    """Leave an order for the process that writes the store and wait for its answer; StoreError if there comes none."""
    folder = OrderFolder(path)
    folder.put(order)
    deadline = time.monotonic() + limit_s
    while time.monotonic() < deadline:
        answer = folder.answer(order)
        if answer is not None:
            return answer
        time.sleep(_POLL_S)
    if folder.withdraw(order):
        raise StoreError(f"the process that writes {path} did not answer within {limit_s:.0f} s; nothing was changed")
    return folder.answer(order) or (True, "carried out; see --history")
