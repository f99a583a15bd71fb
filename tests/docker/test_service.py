"""The systemd unit that is shipped: known keys only, hardened, and the daemon speaks to the manager as it says."""

import re
import signal
import socket
import subprocess
import sys
from pathlib import Path

import pytest

from tests.brokers import free_port
from tests.faults.mill import Child, write_plan

UNIT = Path(__file__).parents[2] / "docker" / "meterd.service"
EXPOSED = 15  # tenths: 10 is untouched, 0 is nothing left to do; an unhardened service has 96


def analyze(*texts: str) -> subprocess.CompletedProcess[str]:
    """systemd-analyze, which needs no running systemd."""
    return subprocess.run(["systemd-analyze", *texts], capture_output=True, text=True, timeout=60, check=False)


def test_the_unit_has_only_keys_that_systemd_knows(tmp_path: Path) -> None:
    """With a program in the place of the installed one; a misspelt key is found, so the check checks something."""
    text = UNIT.read_text(encoding="utf-8").replace("/opt/meterd/bin/meterd", sys.executable)
    unit = tmp_path / "meterd.service"
    unit.write_text(text, encoding="utf-8")
    done = analyze("verify", str(unit))
    assert (done.returncode, done.stdout + done.stderr) == (0, "")
    unit.write_text(text.replace("WatchdogSec", "WatchDogSec"), encoding="utf-8")
    assert "WatchDogSec" in analyze("verify", str(unit)).stderr


def test_what_the_manual_adds_for_serial_ports_has_only_keys_that_systemd_knows(tmp_path: Path) -> None:
    """As a drop-in of the shipped unit."""
    manual = UNIT.with_name("README.md").read_text(encoding="utf-8")
    (added,) = re.findall(r"```ini\n(.*?)```", manual, re.S)
    assert "char-ttyUSB" in added
    unit = tmp_path / "meterd.service"
    text = UNIT.read_text(encoding="utf-8").replace("/opt/meterd/bin/meterd", sys.executable)
    unit.write_text(text + added, encoding="utf-8")
    done = analyze("verify", str(unit))
    assert (done.returncode, done.stdout + done.stderr) == (0, "")


def test_the_unit_is_hardened() -> None:
    """Exposure as systemd-analyze counts it, and the keys that issue and design ask for."""
    done = analyze("security", "--offline=true", f"--threshold={EXPOSED}", str(UNIT))
    assert done.returncode == 0, done.stdout[-300:]
    assert float(re.findall(r"exposure level for meterd.service: ([0-9.]+)", done.stdout)[0]) * 10 <= EXPOSED
    lines = UNIT.read_text(encoding="utf-8").splitlines()
    for key in ("User=meterd", "ProtectSystem=strict", "Restart=on-failure", "Type=notify"):
        assert key in lines
    for key in ("ReadWritePaths", "WatchdogSec", "MemoryMax", "LimitNOFILE", "EnvironmentFile"):
        assert any(line.startswith(f"{key}=") for line in lines), key


@pytest.mark.slow
def test_the_daemon_says_ready_alive_and_stopping(tmp_path: Path) -> None:
    """As a process, with the options of the unit: READY after its first snapshot, signs of life, a word at the end."""
    (command,) = re.findall(r"^ExecStart=(.*)$", UNIT.read_text(encoding="utf-8"), re.M)
    options = command.split()[3:]
    plan = write_plan(tmp_path, free_port(), limits="")
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(str(tmp_path / "notify"))
        manager.settimeout(20)
        env = {"NOTIFY_SOCKET": str(tmp_path / "notify")}
        with Child(plan, tmp_path / "s.sqlite", *options, env=env) as child:
            assert manager.recv(1000).startswith(b"READY=1\nSTATUS=site mill: 0 readings stored")
            assert b"WATCHDOG=1" in (manager.recv(1000), manager.recv(1000))
            child.signal(signal.SIGTERM)
            texts = {manager.recv(1000)}
            while b"STOPPING=1" not in texts:
                texts.add(manager.recv(1000))
            assert child.wait() == 0
