"""Where each key of a TOML document stands.

`tomllib` gives values without places, and the libraries that keep the layout do not tell line numbers. This scanner
runs only over text `tomllib` has already accepted, so it needs to find keys, not faults; what it cannot follow it
leaves out, and the fault then names the enclosing table.
"""

import re
import tomllib
from bisect import bisect_right
from contextlib import suppress

Path = tuple[str | int, ...]

_SPACE = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")
_KEY = re.compile(r"""[A-Za-z0-9_-]+|"(?:\\.|[^"\\\n])*"|'[^'\n]*'""")
_DOT = re.compile(r"[ \t]*\.[ \t]*")
_EQUALS = re.compile(r"[ \t]*=[ \t]*")
_STRING = re.compile(
    r'''"""(?:\\.|[^\\])*?"{3,5}|\'\'\'.*?'{3,5}|"(?:\\.|[^"\\\n])*"|'[^'\n]*\'''',
    re.DOTALL,
)
_SCALAR = re.compile(r"[^,\]}\n#]+")


class _LostError(Exception):
    """The scanner met something it does not know; what was found before stays."""


class _Scanner:
    def __init__(self, text: str) -> None:
        self.text = text
        self.at = 0
        self.offsets: dict[Path, int] = {}
        self.last: dict[Path, int] = {}  # index of the newest table of each array of tables

    def take(self, pattern: re.Pattern[str]) -> str:
        match = pattern.match(self.text, self.at)
        if match is None:
            raise _LostError
        self.at = match.end()
        return match.group()

    def skip(self, token: str) -> bool:
        if not self.text.startswith(token, self.at):
            return False
        self.at += len(token)
        return True

    def expect(self, token: str) -> None:
        if not self.skip(token):
            raise _LostError

    def key(self) -> list[str]:
        parts = [_plain(self.take(_KEY))]
        while _DOT.match(self.text, self.at):
            self.take(_DOT)
            parts.append(_plain(self.take(_KEY)))
        return parts

    def document(self) -> None:
        table: Path = ()
        self.take(_SPACE)
        while self.at < len(self.text):
            if self.text.startswith("[", self.at):
                table = self.header()
            else:
                self.pair(table)
            self.take(_SPACE)

    def header(self) -> Path:
        start = self.at
        array = self.skip("[[")
        if not array:
            self.expect("[")
        self.take(_SPACE)
        path: Path = ()
        keys = self.key()
        for place, key in enumerate(keys):
            path = (*path, key)
            self.offsets.setdefault(path, start)
            if array and place == len(keys) - 1:
                self.last[path] = self.last.get(path, -1) + 1
            if path in self.last:
                path = (*path, self.last[path])
                self.offsets.setdefault(path, start)
        self.take(_SPACE)
        self.expect("]]" if array else "]")
        return path

    def pair(self, table: Path) -> None:
        start = self.at
        path = table
        for key in self.key():
            path = (*path, key)
            self.offsets.setdefault(path, start)
        self.take(_EQUALS)
        self.value(path)

    def value(self, path: Path) -> None:
        if self.skip("["):
            self.items(path)
        elif self.skip("{"):
            self.inline(path)
        elif self.text[self.at : self.at + 1] in ('"', "'"):
            self.take(_STRING)
        else:
            self.take(_SCALAR)

    def items(self, path: Path) -> None:
        index = 0
        self.take(_SPACE)
        while not self.skip("]"):
            self.offsets[(*path, index)] = self.at
            self.value((*path, index))
            index += 1
            self.take(_SPACE)
            self.skip(",")
            self.take(_SPACE)

    def inline(self, path: Path) -> None:
        self.take(_SPACE)
        while not self.skip("}"):
            self.pair(path)
            self.take(_SPACE)
            self.skip(",")
            self.take(_SPACE)


def _plain(key: str) -> str:
    """The key without its quotes and escapes."""
    if key.startswith("'"):
        return key[1:-1]
    if key.startswith('"'):
        return str(tomllib.loads(f"key = {key}")["key"])
    return key


def key_places(text: str) -> dict[Path, tuple[int, int]]:
    """Line and column (from 1) of every key and every array element of a valid TOML text, by path.

    >>> key_places('[[board]]\\nname = "north"\\n')[("board", 0, "name")]
    (2, 1)
    """
    scanner = _Scanner(text)
    with suppress(_LostError, RecursionError, ValueError):  # the places found before are right
        scanner.document()
    lines = [0, *(match.end() for match in re.finditer("\n", text))]

    def place(offset: int) -> tuple[int, int]:
        line = bisect_right(lines, offset)
        return line, offset - lines[line - 1] + 1

    return {path: place(offset) for path, offset in scanner.offsets.items()}
