"""Templates are compiled once for all processes; a kept one is used only for what it was made from."""

import subprocess
import sys
from pathlib import Path

import pytest
from jinja2 import DictLoader, Environment

from meterd.adapters.web import template_cache
from meterd.adapters.web.app import templates
from meterd.adapters.web.template_cache import TemplateCache


@pytest.fixture(autouse=True)
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The folder of compiled templates of this test."""
    monkeypatch.setattr(template_cache, "__file__", str(tmp_path / "template_cache.py"))
    monkeypatch.setattr(sys, "dont_write_bytecode", False)
    return tmp_path / "__pycache__"


def rendered(source: str, options: str = "escaped") -> str:
    """What a process that begins anew makes of a template."""
    cache = TemplateCache(options)
    return (
        Environment(loader=DictLoader({"a.html": source}), autoescape=True, bytecode_cache=cache)
        .from_string("{% include 'a.html' %}")
        .render(x="<b>")
    )


def test_a_template_is_compiled_once(here: Path) -> None:
    """A second process reads what the first one wrote, and writes nothing."""
    assert rendered("{{ x }}") == "&lt;b&gt;"
    stored = here / f"a.html.{sys.implementation.cache_tag}.pyc"
    before = stored.stat().st_mtime_ns
    assert rendered("{{ x }}") == "&lt;b&gt;"
    assert stored.stat().st_mtime_ns == before
    assert list(here.iterdir()) == [stored]
    assert stored.stat().st_mode & 0o777 == 0o644, "the daemon in a container is another user than who built it"


def test_another_source_or_other_options_are_another_template() -> None:
    """An update of the program shows its own pages."""
    assert rendered("{{ x }}") == "&lt;b&gt;"
    assert rendered("{{ x }}!") == "&lt;b&gt;!"
    assert rendered("{{ x }}!", "escaped in another way") == "&lt;b&gt;!"


@pytest.mark.parametrize("keep", [0, 1, 12, 20, 40, 60, -1])
def test_a_damaged_file_is_made_anew(here: Path, keep: int) -> None:
    """Cut at any place, or with other bytes in its middle."""
    rendered("{{ x }}")
    stored = next(here.iterdir())
    whole = stored.read_bytes()
    stored.write_bytes(whole[:keep] if keep >= 0 else whole[:14] + bytes(len(whole) - 14))
    assert rendered("{{ x }}") == "&lt;b&gt;"


def test_a_folder_that_cannot_be_written_costs_only_time(here: Path) -> None:
    """As in a container whose root cannot be written."""
    here.write_text("a file where the folder should be", encoding="utf-8")
    assert rendered("{{ x }}") == "&lt;b&gt;"


def test_nothing_is_written_where_python_must_not_write(here: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """PYTHONDONTWRITEBYTECODE holds for templates too."""
    monkeypatch.setattr(sys, "dont_write_bytecode", True)
    assert rendered("{{ x }}") == "&lt;b&gt;"
    assert not here.exists()


def test_all_templates_compile() -> None:
    """What the image does when it is built."""
    code = "from meterd.adapters.web.app import compile_templates; compile_templates()"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (0, "")


def test_a_template_that_changes_below_a_running_program_is_not_loaded_again(monkeypatch: pytest.MonkeyPatch) -> None:
    """Found in a log: of a page in use the new file asked for a text that the catalogue of the process lacked (500)."""
    template = templates().get_template("error.html")
    monkeypatch.setattr(template, "_uptodate", lambda: False)
    assert not template.is_up_to_date
    assert templates().get_template("error.html") is template
