"""A secret of a source, from the environment or a file: it never stands in a plan."""

import os
from pathlib import Path

from meterd.core.errors import ConfigError


def secret(variable: str, path: str, what: str) -> str:
    """The value of the variable, or the text of the file without its end of line; empty where none is named."""
    if variable:
        if variable not in os.environ:
            raise ConfigError(f"environment variable {variable} with {what} is not set")
        return os.environ[variable]
    if path:
        try:
            return Path(path).read_text(encoding="utf-8").rstrip("\r\n")
        except (OSError, UnicodeDecodeError) as exc:
            raise ConfigError(f"cannot read {what} from {path}: {exc}") from exc
    return ""
