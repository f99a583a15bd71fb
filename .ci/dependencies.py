"""What the program needs at run time, every package and its licence, pinned in `.ci/pinned.txt`.

`python .ci/dependencies.py` compares what is installed with the list and fails with words; `--write` writes the list anew, which
is how an update is made: look at the difference, run everything, commit it. `--audit` asks for known weaknesses of the
listed versions and says so when the advisories cannot be reached from here.
"""

import json
import subprocess
import sys
import tomllib
from importlib.metadata import Distribution, PackageNotFoundError, distribution
from importlib.util import find_spec
from pathlib import Path

from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

PROJECT = Path(__file__).parents[1] / "pyproject.toml"
LIST = Path(__file__).with_name("pinned.txt")
HEAD = """\
# Every package that the program needs at run time, with the version it was tested with and its licence.
# Made by `python .ci/dependencies.py --write`; `.ci/run` fails when another version is installed.
"""
# licences that ask for more than to be named; none of them may come in unnoticed
ASKING = ("GPL", "AGPL", "SSPL", "EUPL", "CC-BY-NC")
AUDIT_LIMIT_S = 120
_SHORT = {  # how packages write licences that have a short name of their own
    "MIT License": "MIT",
    "Apache Software License": "Apache-2.0",
    "Apache License 2.0": "Apache-2.0",
    "BSD License": "BSD",
    "OSI Approved :: BSD License": "BSD",
}


def direct() -> list[Requirement]:
    """What the project itself asks for, also with the extras for many sites, encrypted telegrams and logins."""
    with PROJECT.open("rb") as file:
        project = tomllib.load(file)["project"]
    extras = project["optional-dependencies"]
    more = (*extras["cluster"], *extras["encrypted"], *extras["oidc"])
    return [Requirement(line) for line in (*project["dependencies"], *more)]


def needed(wanted: list[Requirement]) -> dict[str, Distribution]:
    """All packages that these need, themselves included, by their canonical name; PackageNotFoundError if one is missing."""
    found: dict[str, Distribution] = {}
    waiting = list(wanted)
    seen: set[tuple[str, str]] = set()
    while waiting:
        wanted_now = waiting.pop()
        name = canonicalize_name(wanted_now.name)
        package = found[name] = distribution(name)
        for extra in ("", *sorted(wanted_now.extras)):
            if (name, extra) in seen:
                continue
            seen.add((name, extra))
            for line in package.requires or ():
                one = Requirement(line)
                if one.marker is None or one.marker.evaluate({"extra": extra}):
                    waiting.append(one)
    return found


def licence(package: Distribution) -> str:
    """The licence a package names: an SPDX expression, else its classifiers, else the first line of the field."""
    fields = package.metadata
    if expression := fields.get("License-Expression"):
        return str(expression)
    classes = [c.rpartition(" :: ")[2] for c in fields.get_all("Classifier") or () if c.startswith("License ::")]
    text = (fields.get("License") or "").strip().splitlines()
    named = ", ".join(classes) or (text[0][:60] if text else "not named")
    return _SHORT.get(named, named)


def lines(packages: dict[str, Distribution]) -> list[str]:
    """One line for each package."""
    return [f"{name}=={package.version}  # {licence(package)}" for name, package in sorted(packages.items())]


def pinned(text: str) -> dict[str, tuple[str, str]]:
    """Version and licence by name, as listed."""
    found = {}
    for line in text.splitlines():
        if line and not line.startswith("#"):
            pin, _, words = line.partition("#")
            name, _, version = pin.strip().partition("==")
            found[name] = (version, words.strip())
    return found


def differences(listed: dict[str, tuple[str, str]], installed: dict[str, tuple[str, str]]) -> list[str]:
    """In words, what is installed otherwise than listed."""
    said = []
    for name in sorted(listed.keys() | installed.keys()):
        if name not in installed:
            said.append(f"{name} is listed and no longer needed")
        elif name not in listed:
            said.append(f"{name} {installed[name][0]} ({installed[name][1]}) is needed and not listed")
        elif listed[name][0] != installed[name][0]:
            said.append(f"{name} is listed as {listed[name][0]} and installed as {installed[name][0]}")
        elif listed[name][1] != installed[name][1]:
            said.append(f"{name}: its licence was {listed[name][1]} and is {installed[name][1]}")
    return said


def asking(listed: dict[str, tuple[str, str]]) -> list[str]:
    """In words, licences that ask for more than to be named."""
    return [
        f"{name}: {words}" for name, (_, words) in sorted(listed.items()) if any(a in words.upper() for a in ASKING)
    ]


def audit() -> tuple[int, str]:
    """Exit code and words of an audit of the list. Packages of which nothing could be learned do not count as sound."""
    if find_spec("pip_audit") is None:
        return 1, "cannot audit: pip-audit is not installed; run sh .ci/setup --tests"
    command = [
        sys.executable,
        "-m",
        "pip_audit",
        "-r",
        str(LIST),
        "--no-deps",
        "--disable-pip",
        "--progress-spinner",
        "off",
    ]
    try:
        done = subprocess.run(
            [*command, "-f", "json", "--timeout", "10"],
            capture_output=True,
            text=True,
            timeout=AUDIT_LIMIT_S,
            check=False,
        )
        answer = json.loads(done.stdout)["dependencies"]
    except (subprocess.TimeoutExpired, ValueError, KeyError) as exc:
        return 0, f"not audited: the advisories cannot be reached from here ({type(exc).__name__}); the list is pinned"
    weak = [f"{one['name']} {one['version']}: {weakness['id']}" for one in answer for weakness in one.get("vulns", ())]
    skipped = [one["name"] for one in answer if "skip_reason" in one]
    if weak:
        return 1, "known weaknesses: " + "; ".join(weak)
    if len(skipped) == len(answer):
        return (
            0,
            f"not audited: no advisories of any of the {len(answer)} packages can be reached from here; the list is pinned",
        )
    rest = f", nothing known of {', '.join(skipped)}" if skipped else ""
    return 0, f"audited: {len(answer) - len(skipped)} packages without a known weakness{rest}"


def main(arguments: list[str]) -> int:
    """Write, audit, or compare."""
    if arguments == ["--audit"]:
        code, words = audit()
        print(words)
        return code
    try:
        packages = needed(direct())
    except PackageNotFoundError as exc:
        print(f"a package that is needed is not installed: {exc.name}; run sh .ci/setup", file=sys.stderr)
        return 1
    if arguments == ["--write"]:
        LIST.write_text(HEAD + "\n".join(lines(packages)) + "\n", encoding="utf-8")
        print(f"{LIST.name}: {len(packages)} packages")
        return 0
    listed = pinned(LIST.read_text(encoding="utf-8"))
    installed = pinned("\n".join(lines(packages)))
    wrong = differences(listed, installed) + [f"a licence that asks for more: {words}" for words in asking(installed)]
    for words in wrong:
        print(words, file=sys.stderr)
    if wrong:
        print(
            "if that is wanted: python .ci/dependencies.py --write, look at the difference, commit it", file=sys.stderr
        )
        return 1
    print(f"{len(installed)} packages as listed in .ci/{LIST.name}")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
