"""The files of a plan, to be changed together: checked as a whole before anything is written, kept aside as they were."""

import os
import shutil
import tempfile
from pathlib import Path

from meterd.adapters.planfile.loader import Plan, load_plan
from meterd.adapters.planfile.read import CSV_FILES, PATTERNS, SITE_FILE
from meterd.core.errors import ConfigError, StoreError

BEFORE = ".before"  # beside the plan: a folder per change, with the files as they were


class PlanFiles:
    """The texts of a plan by their names. Change `texts`, `check` them, then `put` them."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self.is_folder = path.is_dir()
        self.folder = path if path.is_dir() else path.parent
        self.main = SITE_FILE if path.is_dir() else path.name
        names = [SITE_FILE, *CSV_FILES.values()] if path.is_dir() else [path.name]
        names += [f"{PATTERNS}/{file.name}" for file in sorted((self.folder / PATTERNS).glob("*.toml"))]
        try:
            self._found = {name: (self.folder / name).read_bytes() for name in names if (self.folder / name).is_file()}
            self.texts = {name: data.decode("utf-8") for name, data in self._found.items()}
        except (OSError, UnicodeDecodeError) as exc:
            raise ConfigError(f"cannot read the plan {path}: {exc}") from exc

    def check(self) -> tuple[Plan, Plan]:
        """The plan as it is and as it would be, both read from a copy; PlanError with every fault of the new one."""
        with tempfile.TemporaryDirectory() as made:
            copy = Path(made) / "plan"
            self._lay(copy, {name: data.decode("utf-8") for name, data in self._found.items()})
            before = load_plan(copy if self.is_folder else copy / self.main)
            self._lay(copy, self.texts)
            return before, load_plan(copy if self.is_folder else copy / self.main)

    def _lay(self, copy: Path, texts: dict[str, str]) -> None:
        for name, text in texts.items():
            (copy / name).parent.mkdir(parents=True, exist_ok=True)
            (copy / name).write_bytes(text.encode())

    def put(self, stamp: str) -> Path:
        """Write what has changed, each file whole or not at all; returns the folder with the files as they were.

        ConfigError if somebody else has changed a file meanwhile, StoreError if one cannot be written.
        """
        changed = {name: text.encode() for name, text in self.texts.items() if text.encode() != self._found.get(name)}
        aside = self.folder / BEFORE / stamp
        try:
            for name in changed:
                path = self.folder / name
                now = path.read_bytes() if path.is_file() else None
                if now != self._found.get(name):
                    raise ConfigError(
                        f"{name} has been changed by somebody else meanwhile; nothing was written, try again"
                    )
            for name in changed:
                if name in self._found:
                    (aside / name).parent.mkdir(parents=True, exist_ok=True)
                    (aside / name).write_bytes(self._found[name])
            for name, data in changed.items():
                self._replace(self.folder / name, data)
        except OSError as exc:
            raise StoreError(f"cannot write the plan: {exc}; the files as they were are in {aside}") from exc
        return aside

    def _replace(self, path: Path, data: bytes) -> None:
        part = path.with_name(f".{path.name}.part")
        with part.open("wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        if path.exists():
            shutil.copymode(path, part)
        os.replace(part, path)
