"""The table of commands: each is carried out by the module it names, and a call loads no more than that module."""

import argparse
import subprocess
import sys
from importlib import import_module

from meterd.app.cli.commands import COMMANDS, add_all
from meterd.app.cli.help import TOPICS


def added(called: str | None) -> dict[str, argparse.ArgumentParser]:
    """The parsers that are there when a command is called."""
    commands = argparse.ArgumentParser().add_subparsers()
    add_all(commands, called)
    return dict(commands.choices)


def test_each_module_adds_the_commands_of_the_table_and_no_others() -> None:
    for name, (module, text) in COMMANDS.items():
        results = added(name)
        assert set(results) == {item for item, (place, _) in COMMANDS.items() if place == module}, name
        description = results[name].description or ""
        assert description.lower() == f"{text}.".lower()
        assert callable(results[name].get_default("work")), name
        assert import_module(f"meterd.app.cli.{module}")


def test_the_line_about_help_names_every_reference() -> None:
    assert COMMANDS["help"][1] == "print a reference: " + ", ".join(TOPICS)


def test_help_of_all_commands_loads_nothing_that_computes() -> None:
    code = (
        "import sys; from meterd.app.cli.main import main\n"
        "try: main(['--help'])\nexcept SystemExit: pass\n"
        "print(sorted({name.partition('.')[0] for name in sys.modules} & {'numpy', 'pyarrow', 'pydantic', 'sqlite3', 'rich'}))"
    )
    shown = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout
    assert all(f"    {name}" in shown for name in COMMANDS)
    assert shown.endswith("[]\n")


def test_what_is_no_command_is_refused_with_the_list_of_all() -> None:
    done = subprocess.run(
        [sys.executable, "-m", "meterd.app.cli.main", "energie"], capture_output=True, text=True, check=False
    )
    assert done.returncode == 2
    assert all(name in done.stderr for name in COMMANDS)
