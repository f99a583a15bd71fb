"""The page of many sites as a program: where it listens, what it says of a broker that is away, and how it ends."""

import json
import signal
import urllib.request
from pathlib import Path

import pytest

from meterd.app.cli.main import main
from tests.brokers import free_port, until
from tests.programs import Program, finished


@pytest.mark.slow
def test_the_page_runs_without_its_broker_and_ends_in_order(tmp_path: Path) -> None:
    """On 127.0.0.1 alone; a second one on the same port is refused; Ctrl+C is exit code 0."""
    log, nobody = tmp_path / "log", f"127.0.0.1:{free_port()}"
    program = Program(["fleet", "--page", "--port", "0", nobody], log)
    assert until(lambda: "all sites: " in log.read_text("utf-8")), log.read_text("utf-8")
    root = log.read_text("utf-8").partition("all sites: ")[2].partition(" ")[0]
    assert root.startswith("http://127.0.0.1:")

    def told() -> dict[str, list[str]]:
        with urllib.request.urlopen(f"{root}api/fleet", timeout=30) as answer:
            result: dict[str, list[str]] = json.load(answer)
        return result

    assert until(lambda: told()["troubles"] and told()["troubles"][0].startswith(f"{nobody}: "))
    assert told()["sites"] == []
    with urllib.request.urlopen(root, timeout=30) as answer:
        assert "No site yet." in answer.read().decode()
    taken = finished(["fleet", "--page", "--port", root.rpartition(":")[2].strip("/"), nobody], tmp_path)
    assert taken.returncode == 1
    assert "cannot serve the page at 127.0.0.1" in taken.stderr
    program.send_signal(signal.SIGINT)
    assert program.wait(60) == 0


def test_addresses_that_cannot_be_are_refused(capsys: pytest.CaptureFixture[str]) -> None:
    """A port beyond the last one, and a name in the place of an address."""
    assert main(["fleet", "--page", "--port", "70000", "127.0.0.1"]) == 2
    assert "write 1 to 65535" in capsys.readouterr().err
    with pytest.raises(SystemExit, match="2"):
        main(["fleet", "--page", "--listen", "everywhere", "127.0.0.1"])
    assert "--listen" in capsys.readouterr().err
