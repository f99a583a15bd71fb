"""The files of a replay: which source of the plan they belong to, and which of them are plain tables."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from meterd.adapters.sources.files.history import History, empty_history, is_plain, open_history
from meterd.core.errors import ConfigError, MeterdError
from meterd.core.model.plan import Site
from meterd.core.model.reading import REGISTERS
from meterd.core.model.results import Channel


def choose_source(site: Site, wanted: str | None) -> str:
    """The source whose inputs the files belong to: the one named, else the only file source, else the largest."""
    names = [row.name for row in site.sources]
    if wanted is not None:
        if wanted not in names:
            raise ConfigError(f"the plan has no source {wanted}; it has {', '.join(names) or 'none'}")
        return wanted
    files = [row.name for row in site.sources if row.protocol == "file"]
    if len(files) == 1:
        return files[0]
    counts = {name: sum(row.source == name for row in site.inputs) for name in names}
    if not counts:
        raise ConfigError("the plan has no source; give the files one in site.toml")
    return max(counts, key=lambda name: counts[name])


def column_map(pairs: Sequence[str]) -> dict[str, Channel] | None:
    """`COLUMN=POINT:REGISTER` pairs of the command line; the register by OBIS code or name."""
    if not pairs:
        return None
    codes = {kind.name: obis for obis, kind in REGISTERS.items()} | {obis: obis for obis in REGISTERS}
    results: dict[str, Channel] = {}
    for pair in pairs:
        column, _, target = pair.rpartition("=")
        point, _, register = target.partition(":")
        if not column or not point or register not in codes:
            raise ConfigError(
                f"cannot use --map {pair}: write COLUMN=POINT:REGISTER, with REGISTER one of {', '.join(codes)}"
            )
        results[column] = (point, codes[register])
    return results


@dataclass(frozen=True, slots=True)
class Shape:
    """How files are written that are no plain tables: a mapping file, and KEY=VALUE over it."""

    mapping: Path | None = None
    settings: tuple[str, ...] = ()
    asked: bool = False  # by the command line: then plain files are read by it as well


def opened_history(
    site: Site, files: Sequence[Path], source: str, columns: Mapping[str, Channel] | None, shape: Shape
) -> History:
    """Plain files the fast way, all others by their mapping; with a mapping file, which names its columns, all by it."""
    plain = [] if shape.asked else [path for path in files if is_plain(path, site, source, columns)]
    history = open_history(plain, site, source, columns=columns) if plain else empty_history(site, source)
    others = [path for path in files if path not in plain]
    if others:
        # loads pandas (half a second, 80 MB), which a plain Parquet file does not need
        from meterd.app.operations.old_readings import add_files

        try:
            add_files(history, site, others, columns=columns, mapping=shape.mapping, settings=shape.settings)
        except MeterdError:
            history.close()
            raise
    return history


def why_nothing(history: History, files: Sequence[Path]) -> str:
    """In words, why no register of the plan is in the files."""
    if history.strangers:
        return (
            f"the plan has no {', '.join(list(history.strangers)[:5])}; write former names into aliases of points.csv"
        )
    held = sorted({f"{point} {register}" for point, register in history.channels()})
    if held:
        return f"the files hold {', '.join(held[:5])}, and the plan reads none of these energies"
    names = ", ".join(str(path) for path in files[:3])
    return f"{names} holds no register of the plan; see what is recognised with `meterd columns FILE PLAN`"
