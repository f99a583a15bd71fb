"""Templates that were compiled once, kept with the compiled modules of this folder.

To compile all of them takes half a second and 10 MB, most of which a process never gives back; to load them takes neither.
Where the folder cannot be written, each process compiles for itself.
"""

import sys
from contextlib import suppress
from pathlib import Path
from pickle import UnpicklingError

import jinja2
from jinja2.bccache import Bucket, FileSystemBytecodeCache

# what a file says that was damaged on the disk
_DAMAGED = (
    OSError,
    EOFError,
    ValueError,
    TypeError,
    UnpicklingError,
    AttributeError,
    ImportError,
    IndexError,
    KeyError,
)


class TemplateCache(FileSystemBytecodeCache):
    """Compiled templates in a folder; each belongs to its source, the options of its environment and this Python."""

    def __init__(self, options: str) -> None:
        folder = Path(__file__).with_name("__pycache__")
        self._writes = not sys.dont_write_bytecode
        self._made_by = f"{jinja2.__version__}, {options}"
        super().__init__(str(folder), f"%s.{sys.implementation.cache_tag}.pyc")

    def get_cache_key(self, name: str, filename: str | None = None) -> str:
        """The name of the template alone: a copy of the program in another place has the same templates."""
        return name

    def get_source_checksum(self, source: str) -> str:
        """What a compiled template was made from."""
        return super().get_source_checksum(f"{self._made_by}\n{source}")

    def load_bytecode(self, bucket: Bucket) -> None:
        """What was kept, if it is of this source."""
        with suppress(*_DAMAGED):
            super().load_bytecode(bucket)

    def dump_bytecode(self, bucket: Bucket) -> None:
        """Keep it, for the next process."""
        if self._writes:
            with suppress(OSError):
                Path(self.directory).mkdir(exist_ok=True)
                super().dump_bytecode(bucket)
                Path(self._get_cache_filename(bucket)).chmod(
                    0o644
                )  # whoever runs the program reads what an administrator wrote
