"""A secret from the environment or a file: it never stands in a plan."""

import os
from pathlib import Path

from meterd.core.errors import ConfigError

MOST_BYTES = 4096  # read of a file: somebody may name a large one


def secret(variable: str, path: str, what: str) -> str:
    """The value of the variable, or the first line of the file, read anew each time; empty where neither is named.

    ConfigError, which says where it was looked for, if there is none or it is no line of text.
    """
    if variable:
        if variable not in os.environ:
            raise ConfigError(f"environment variable {variable} with {what} is not set")
        return _usable(os.environ[variable].rstrip("\r\n"), what, f"environment variable {variable}")
    if not path:
        return ""
    try:
        with Path(path).open("rb") as file:
            lines = file.read(MOST_BYTES).decode().splitlines()
    except OSError as exc:
        raise ConfigError(f"cannot read {what} from {path}: {exc.strerror}") from exc
    except UnicodeDecodeError as exc:
        raise ConfigError(f"cannot read {what} from {path}: it is not UTF-8 text") from exc
    return _usable(lines[0] if lines else "", what, path)


def _usable(results: str, what: str, place: str) -> str:
    if not results or not results.isprintable():
        raise ConfigError(f"{what} in {place} is empty or holds control characters; write it in one line")
    return results
