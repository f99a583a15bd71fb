"""The image and the services around it are described soundly: linted by programs that also find what is planted."""

import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
import yaml

from meterd.app.config import load_plan

ROOT = Path(__file__).parents[2]
DOCKER = ROOT / "docker"


def hadolint(path: Path) -> tuple[int, str]:
    """What the linter says to a Dockerfile."""
    program = Path(sys.executable).with_name("hadolint")
    done = subprocess.run([str(program), str(path)], capture_output=True, text=True, timeout=60, check=False)
    return done.returncode, done.stdout + done.stderr


def compose(path: Path) -> tuple[int, str]:
    """What the program that would start the services says to their file, without starting anything."""
    command = ["docker-compose", "-f", str(path), "config", "-q"]
    done = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)
    return done.returncode, done.stdout + done.stderr


@pytest.fixture(scope="module")
def services() -> dict[str, Any]:
    """The services as they are written."""
    found: dict[str, Any] = yaml.safe_load((DOCKER / "compose.yaml").read_text(encoding="utf-8"))["services"]
    return found


def test_the_dockerfile_has_no_finding(tmp_path: Path) -> None:
    """The linter knows the file and finds a fault that is planted."""
    assert hadolint(DOCKER / "Dockerfile") == (0, "")
    worse = tmp_path / "Dockerfile"
    worse.write_text(
        (DOCKER / "Dockerfile").read_text(encoding="utf-8") + "\nRUN cd /tmp && sudo true\n", encoding="utf-8"
    )
    code, said = hadolint(worse)
    assert code != 0
    assert "DL3004" in said


def test_the_image_is_nobody_and_asks_for_its_health() -> None:
    """No root, one folder to write to, versions of the list, and a health check of our own command."""
    text = (DOCKER / "Dockerfile").read_text(encoding="utf-8")
    last = text[text.rindex("\nFROM ") :]
    for line in ("USER 10001:10001", "VOLUME /data", "HEALTHCHECK ", '"meterd", "health"', 'ENTRYPOINT ["meterd"]'):
        assert line in last, line
    assert "-c .ci/pinned.txt" in text
    copied = [
        word
        for line in text.splitlines()
        if line.startswith("COPY ") and "--from" not in line
        for word in line.split()[1:-1]
    ]
    assert copied
    assert [word for word in copied if not (ROOT / word).exists()] == []
    allowed = (ROOT / "docker/Dockerfile.dockerignore").read_text(encoding="utf-8").splitlines()
    assert [word for word in copied if f"!{word}" not in allowed] == []


@pytest.mark.slow
def test_the_services_are_described_as_the_program_that_starts_them_wants(tmp_path: Path) -> None:
    """Valid, and a misspelt key is found."""
    assert compose(DOCKER / "compose.yaml") == (0, "")
    worse = tmp_path / "compose.yaml"
    worse.write_text(
        (DOCKER / "compose.yaml").read_text(encoding="utf-8").replace("read_only:", "read_onyl:"), encoding="utf-8"
    )
    assert compose(worse)[0] != 0


@pytest.mark.parametrize("name", ["broker", "meterd", "database"])
def test_every_service_is_guarded(services: dict[str, Any], name: str) -> None:
    """Read-only root, no capabilities, no new privileges, not root, limits, a health check, and the image by version."""
    one = services[name]
    assert one["read_only"] is True
    assert one["cap_drop"] == ["ALL"]
    assert one["security_opt"] == ["no-new-privileges:true"]
    assert one["tmpfs"] == ["/tmp"]
    assert one["healthcheck"]["test"][0] == "CMD"
    assert {"mem_limit", "pids_limit", "restart", "logging"} <= one.keys()
    assert not {"privileged", "cap_add", "network_mode", "pid"} & one.keys()
    if "build" in one:
        assert one["build"]["dockerfile"] == "docker/Dockerfile"  # which sets its user
    else:
        assert one["user"].split(":")[0] not in ("0", "root")
        assert ":" in one["image"]
        assert not one["image"].endswith(":latest")
    assert [p for p in one.get("ports", ()) if not p.startswith("127.0.0.1:")] == (
        ["8883:8883"] if name == "broker" else []
    )


def test_secrets_come_from_files_only(services: dict[str, Any]) -> None:
    """Every secret is declared, and no variable holds one itself."""
    declared = yaml.safe_load((DOCKER / "compose.yaml").read_text(encoding="utf-8"))["secrets"]
    used = {name for one in services.values() for name in one.get("secrets", ())}
    assert used == declared.keys()
    for one in services.values():
        for key, value in one.get("environment", {}).items():
            if any(word in key for word in ("PASSWORD", "TOKEN", "USERNAME")):
                assert key.endswith("_FILE")
                assert value.removeprefix("/run/secrets/") in used


def test_the_plan_that_the_file_asks_for_is_a_plan(tmp_path: Path) -> None:
    """The lines that compose.yaml wants in site.toml pass the plan check, and the port is the one that is asked."""
    lines = (DOCKER / "compose.yaml").read_text(encoding="utf-8").splitlines()
    wanted = [line.removeprefix("#   ").split("        ")[0] for line in lines if line.startswith("#   [")]
    assert len(wanted) == 3
    tables = []
    for line in wanted:
        table, _, values = line.partition("] ")
        tables.append(f"{table[1:]} = {{ {values} }}")
    text = (ROOT / "config" / "small.toml").read_text(encoding="utf-8")
    plan = tmp_path / "small.toml"
    plan.write_text(text.replace("broker = { embedded = true }", "\n".join(tables) + "\n#", 1), encoding="utf-8")
    site = load_plan(plan).site
    assert (site.page.port, site.page.listen) == (8480, "0.0.0.0")
    assert "http://127.0.0.1:8480/health" in (DOCKER / "Dockerfile").read_text(encoding="utf-8")
    assert site.broker.tls
    assert site.line_store is not None
