"""The image and the services around it are described soundly: linted by programs that also find what is planted."""

import re
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path
from typing import Any

import pytest
import yaml

from meterd.adapters.planfile.loader import load_plan

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
    results: dict[str, Any] = yaml.safe_load((DOCKER / "compose.yaml").read_text(encoding="utf-8"))["services"]
    return results


def test_what_the_package_takes_in_reaches_the_build() -> None:
    """Files that the wheel includes from outside the package are copied, and not kept back by the list of what is sent."""
    wheel = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["tool"]["hatch"]["build"]["targets"][
        "wheel"
    ]
    copied = re.findall(r"^COPY (?!--from)(.+) \S+$", (DOCKER / "Dockerfile").read_text(encoding="utf-8"), re.MULTILINE)
    sent = [line[1:] for line in (DOCKER / "Dockerfile.dockerignore").read_text().splitlines() if line.startswith("!")]
    for path in wheel["force-include"]:
        for known in ((word for text in copied for word in text.split()), sent):
            assert any(path == word or path.startswith(f"{word}/") for word in known), f"{path} is missing"


def test_the_dockerfile_has_no_finding(tmp_path: Path) -> None:
    """The linter knows the file and finds a fault that is planted."""
    assert hadolint(DOCKER / "Dockerfile") == (0, "")
    worse = tmp_path / "Dockerfile"
    worse.write_text(
        (DOCKER / "Dockerfile").read_text(encoding="utf-8") + "\nRUN cd /tmp && sudo true\n", encoding="utf-8"
    )
    code, text = hadolint(worse)
    assert code != 0
    assert "DL3004" in text


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


@pytest.mark.parametrize("there", [(), ("buildah",), ("mmdebstrap",), ("buildah", "crun")], ids="-".join)
def test_the_build_of_the_image_installs_each_tool_that_is_missing(tmp_path: Path, there: tuple[str, ...]) -> None:
    """Found where only one of the three was installed: the other two were not asked for. Nothing is installed here."""
    programs, asked = tmp_path / "bin", tmp_path / "asked"
    programs.mkdir()
    for name in ("bash", "dirname", "mkdir", "env"):
        (programs / name).symlink_to(str(shutil.which(name)))
    fakes = {"id": "echo 0", "apt-get": f'echo "$*" >>{asked}; case $1 in install) exit 7;; esac'}
    for name, does in {**fakes, **dict.fromkeys(there, "exit 0")}.items():
        (programs / name).write_text(f"#!{shutil.which('bash')}\n{does}\n", encoding="utf-8")
        (programs / name).chmod(0o755)
    here = {"PATH": str(programs), "CACHE": str(tmp_path / "cache")}
    done = subprocess.run([str(programs / "bash"), str(ROOT / ".ci/image")], env=here, capture_output=True, check=False)
    assert done.returncode == 7, done.stderr
    install = next(line for line in asked.read_text(encoding="utf-8").splitlines() if "install" in line)
    assert {"buildah", "mmdebstrap", "crun"} & set(install.split()) == {"buildah", "mmdebstrap", "crun"} - set(there)


def test_every_base_is_named_by_an_exact_version() -> None:
    """A tag of two numbers moves to the next patch by itself."""
    (base,) = re.findall(r"^ARG BASE=(\S+)", (DOCKER / "Dockerfile").read_text(encoding="utf-8"), re.MULTILINE)
    assert re.fullmatch(r"[a-z-]+:\d+\.\d+\.\d+(-[a-z-]+)?", base), base
    text = " ".join((DOCKER / "README.md").read_text(encoding="utf-8").split())
    assert "docker compose config --resolve-image-digests" in text


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
    item = services[name]
    assert item["read_only"] is True
    assert item["cap_drop"] == ["ALL"]
    assert item["security_opt"] == ["no-new-privileges:true"]
    assert item["tmpfs"] == ["/tmp"]
    assert item["healthcheck"]["test"][0] == "CMD"
    assert {"mem_limit", "pids_limit", "restart", "logging"} <= item.keys()
    assert item["networks"] == {"broker": ["field"], "meterd": ["field", "store"], "database": ["store"]}[name]
    assert not {"privileged", "cap_add", "network_mode", "pid"} & item.keys()
    if "build" in item:
        assert item["build"]["dockerfile"] == "docker/Dockerfile"  # which sets its user
    else:
        assert item["user"].split(":")[0] not in ("0", "root")
        assert re.fullmatch(r"[a-z-]+:\d+\.\d+\.\d+", item["image"]), "a tag of two numbers moves"
    assert [p for p in item.get("ports", ()) if not p.startswith("127.0.0.1:")] == (
        ["8883:8883"] if name == "broker" else []
    )


def test_secrets_come_from_files_only(services: dict[str, Any]) -> None:
    """Every secret is declared, and no variable holds one itself."""
    declared = yaml.safe_load((DOCKER / "compose.yaml").read_text(encoding="utf-8"))["secrets"]
    used = {name for item in services.values() for name in item.get("secrets", ())}
    assert used == declared.keys()
    for item in services.values():
        for key, value in item.get("environment", {}).items():
            if any(word in key for word in ("PASSWORD", "TOKEN", "USERNAME")):
                assert key.endswith("_FILE")
                assert value.removeprefix("/run/secrets/") in used


def test_every_secret_has_a_stated_owner_who_runs_a_service_that_reads_it(services: dict[str, Any]) -> None:
    """Compose mounts files as they are: one that belongs to root is unreadable to a service that is nobody."""
    head = (DOCKER / "compose.yaml").read_text(encoding="utf-8").partition("\nx-guarded")[0]
    users = {"meterd": "10001", **{name: services[name]["user"].split(":")[0] for name in ("broker", "database")}}
    owners = {
        file.removeprefix("secrets/"): owner.split(":")
        for owner, files in re.findall(r"chown (?:-R )?(\d+(?::\d+)?) ((?:(?!&&).)+)", head)
        for file in files.split()
        if file.startswith("secrets/")
    }
    for name, item in services.items():
        for secret in item.get("secrets", ()):
            assert users[name] in owners[secret], f"{name} cannot read {secret}"


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
