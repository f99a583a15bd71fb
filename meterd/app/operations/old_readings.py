"""Files of old readings in any usual shape, for replay and `meterd columns`. Loaded only for files that are no plain tables."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

from meterd.adapters.sources.files.columns import Channel
from meterd.adapters.sources.files.history import History
from meterd.adapters.sources.old_readings.mapping import ColumnRule, FileMapping, read_mapping, with_settings
from meterd.adapters.sources.old_readings.reader import OpenedFile, open_files, read_file
from meterd.core.errors import ConfigError, SourceError
from meterd.core.model.plan import Site


def stated_mapping(site: Site, path: Path | None, settings: Sequence[str]) -> FileMapping:
    """What a mapping file and KEY=VALUE say. ConfigError if one of them is wrong."""
    mapping = FileMapping()
    if path is not None:
        try:
            text = path.read_text(encoding="utf-8")
        except (OSError, UnicodeDecodeError) as exc:
            why = exc.strerror.lower() if isinstance(exc, OSError) and exc.strerror else "it is no UTF-8 text"
            raise ConfigError(f"cannot read the mapping file {path}: {why}") from exc
        mapping = read_mapping(text, path.name, site)
    return with_settings(mapping, settings)


def opened(
    site: Site, path: Path, stated: FileMapping, columns: Mapping[str, Channel] | None = None
) -> list[OpenedFile]:
    """The tables of a file as they are understood; `columns` name columns over what is recognised."""
    if columns:
        named = tuple(ColumnRule(name, *channel) for name, channel in columns.items())
        stated = replace(stated, columns=named)
    return open_files(path, site, stated)


def add_files(
    history: History,
    site: Site,
    paths: Sequence[Path],
    *,
    columns: Mapping[str, Channel] | None,
    mapping: Path | None,
    settings: Sequence[str],
) -> None:
    """Read files into a history. Raises SourceError for what cannot be read, ConfigError for an open question."""
    stated = stated_mapping(site, mapping, settings)
    for path in paths:
        files = opened(site, path, stated, columns)
        for file in files:
            if not file.mapping.columns:
                raise SourceError(_no_column(file))
            history.mappings += [f"{Path(file.grid.name).name}: {understood(file)}", *_unread(file)]
            result = read_file(file, site)
            for cell in result.left_out:
                history.leave_out(cell)
            for part in result.parts:
                history.append(part)


def understood(file: OpenedFile) -> str:
    """In one line how a file is read."""
    mapping, points = file.mapping, {rule.point for rule in file.mapping.columns}
    separator = {"\t": "tab"}.get(mapping.separator, mapping.separator)
    parts = [
        mapping.encoding,
        f"sheet {mapping.sheet}" if mapping.sheet else "",
        f"separator {separator}" if separator else "",
        f"decimal {mapping.decimal}",
        f"dates {mapping.date_order}" if mapping.date_order else f"times in {mapping.time_unit}",
        f"{mapping.values}{f' labelled at their {mapping.label}' if mapping.label else ''}",
        f"{len(mapping.columns)} {'meters' if mapping.is_long else 'columns'} for {len(points)} points",
    ]
    return ", ".join(part for part in parts if part)


def _unread(file: OpenedFile) -> list[str]:
    """What of a file is left out whole."""
    columns = [f"  left out: {column.name!r}: {column.why}" for column in file.proposal.unread]
    sheets = [f"  left out: sheet {name!r}; to read it, --set sheet={name}" for name in file.grid.others]
    return columns + sheets


def _no_column(file: OpenedFile) -> str:
    titles = ", ".join(repr(title) for title in file.layout.titles[:8])
    return (
        f"cannot use {file.grid.name}: no column is recognised ({titles}); write --map COLUMN=POINT:REGISTER, or let "
        "`meterd columns FILE PLAN` propose a mapping file and complete it"
    )
