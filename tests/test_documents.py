"""The documents: their sizes, lines and paragraphs, links that lead somewhere, files that exist, every key and command."""

import re
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest

from meterd import __version__
from meterd.adapters.planfile import schema
from meterd.app.cli.main import main

ROOT = Path(__file__).parents[1]
DOCUMENTS = sorted(
    path
    for folder in (ROOT, *(ROOT / name for name in ("config", "docker", "meterd", "tests")))
    for path in (folder.glob("*.md") if folder == ROOT else folder.rglob("*.md"))
)
LARGEST = {"README.md": 12_000, "DEVELOPERS.md": 15_000}
LONGEST_LINE = 120
LONGEST_PARAGRAPH = 6
PLACES = (ROOT, ROOT / "meterd", ROOT / "tests")  # what a path in a document may be relative to, beside its own folder
HEADING = re.compile(r"#+ (.*)")
LINK = re.compile(r"\[[^\]]*\]\(([^)\s]+)\)")
FILE = re.compile(r"[\w.-]+(?:/[\w.-]+)+\.(?:py|md|toml|html|css|csv|yaml|conf|service)\b")
BARE = re.compile(r"`(\w+\.py)`")
EXAMPLES = ("my-site", "boat-yard", "secrets", "old", "patterns")  # folders of a reader's own plan


def _name(path: Path) -> str:
    return path.relative_to(ROOT).as_posix()


def _prose(text: str) -> Iterator[tuple[int, str]]:
    """Numbered lines that are neither code nor table; other lines come as empty ones."""
    fenced = False
    for number, line in enumerate(text.splitlines(), 1):
        fence = line.lstrip().startswith("```")
        fenced ^= fence
        yield number, "" if fence or fenced or line.startswith(("|", "    ")) else line


def _paragraphs(text: str) -> Iterator[tuple[int, int]]:
    """First line and number of lines of each paragraph; every item of a list is one."""
    first, count = 0, 0
    for number, line in [*_prose(text), (0, "")]:
        begins = re.match(r"\s*(?:[-*]|\d+\.) |#", line) is not None
        if count and (not line.strip() or begins):
            yield first, count
            count = 0
        if line.strip():
            first = number if not count else first
            count += 1


def _anchors(text: str) -> set[str]:
    """What a link may name in a document: its headings as a viewer of Markdown writes them."""
    headings = [match[1] for line in text.splitlines() if (match := HEADING.fullmatch(line))]
    return {re.sub(r"[^\w\- ]", "", heading.lower()).replace(" ", "-") for heading in headings}


def _text(path: Path) -> str:
    return path.read_text(encoding="utf-8")


def test_the_two_that_are_read_first_are_short() -> None:
    """README.md and DEVELOPERS.md, in bytes."""
    assert {name: size for name in LARGEST if (size := (ROOT / name).stat().st_size) > LARGEST[name]} == {}


def test_lines_and_paragraphs_are_short() -> None:
    """Outside tables and code, in every document."""
    long = [
        f"{_name(path)}:{number}: {len(line)} characters"
        for path in DOCUMENTS
        for number, line in _prose(_text(path))
        if len(line) > LONGEST_LINE
    ]
    tall = [
        f"{_name(path)}:{first}: {count} lines"
        for path in DOCUMENTS
        for first, count in _paragraphs(_text(path))
        if count > LONGEST_PARAGRAPH
    ]
    assert long + tall == []


def test_links_lead_somewhere() -> None:
    """Relative ones, with their anchors."""
    broken = []
    for path in DOCUMENTS:
        for target in LINK.findall(_text(path)):
            if "://" in target:
                continue
            file, _, anchor = target.partition("#")
            other = (path.parent / file) if file else path
            if not other.exists() or (anchor and anchor not in _anchors(_text(other))):
                broken.append(f"{_name(path)}: {target}")
    assert broken == []


def test_files_that_are_named_exist() -> None:
    """A file that moved away is not named any more."""
    lost = []
    for path in DOCUMENTS:
        for named in sorted(set(FILE.findall(re.sub(r"\w+://\S+", "", _text(path))))):
            if named.startswith(EXAMPLES) or "NAME" in named:
                continue
            if not any((place / named).exists() for place in (*PLACES, path.parent)):
                lost.append(f"{_name(path)}: {named}")
        for named in sorted(set(BARE.findall(_text(path)))):
            if not any(path for place in PLACES[1:] for path in place.rglob(named)):
                lost.append(f"{_name(path)}: {named}")
    assert lost == []


def test_every_key_of_the_plan_is_in_its_reference() -> None:
    """Tables of site.toml and columns of its CSV files, as the loader knows them, stand in config/README.md."""
    text = _text(ROOT / "config" / "README.md")
    tables = {
        name: result
        for name, result in vars(schema).items()
        if isinstance(result, type) and issubclass(result, schema.Table) and result is not schema.Table
    }
    assert len(tables) > 10
    keys = {f"{name}.{key}": key for name, table in tables.items() for key in schema.columns(table)}
    assert [where for where, key in keys.items() if f"`{key}`" not in text] == []


def test_every_command_is_in_the_readme_once(capsys: pytest.CaptureFixture[str]) -> None:
    """A line each, below the heading of its job."""
    with pytest.raises(SystemExit):
        main(["--help"])
    commands = set(re.findall(r"^    ([a-z-]+)(?:  .*)?$", capsys.readouterr().out, re.MULTILINE))
    assert len(commands) > 25
    section = _text(ROOT / "README.md").split("## Commands\n")[1].split("\n## ")[0]
    rows = [re.match(r"\| `meterd ([a-z-]+)", line) for line in section.splitlines()]
    named = [row[1] for row in rows if row]
    assert sorted(named) == sorted(commands)


def test_paths_of_a_stranger_lead_to_the_line() -> None:
    """Each path of DEVELOPERS.md ends at a file that holds what is quoted of it."""
    section = _text(ROOT / "DEVELOPERS.md").split("## A stranger's paths\n")[1].split("\n## ")[0]
    paths = section.split("\n- ")[1:]
    assert len(paths) == 4
    for path in paths:
        quoted = re.findall(r"`([^`]+)`", path)
        code = "".join(_text(ROOT / "meterd" / file) for file in quoted if FILE.fullmatch(file))
        assert code, path
        missing = [
            item for item in quoted if "/" not in item and item.split(".")[-1].strip() not in code and item not in code
        ]
        assert [item for item in missing if item.removesuffix("...))") not in code] == []
        assert path.count("->") == 2, "three steps"


def test_the_version_is_one() -> None:
    """Package, program and the newest section of the changelog."""
    package = tomllib.loads(_text(ROOT / "pyproject.toml"))["project"]["version"]
    newest = re.search(r"^### (\S+)$", _text(ROOT / "DEVELOPERS.md").split("## CHANGELOG")[1], re.MULTILINE)
    assert newest
    assert package == __version__ == newest[1]
