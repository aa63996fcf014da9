"""Run by CI before the tests: what is installed is what is locked, what is locked is what pyproject.toml asks for,
and no locked version has a published advisory that nobody has looked at."""

from __future__ import annotations

import json
import re
import sys
import tomllib
import urllib.request
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from importlib.metadata import distributions
from pathlib import Path
from typing import Any

from packaging.markers import Marker
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

ROOT = Path(__file__).parents[1]
LOCKS = ("requirements.lock", ".ci/tests.lock")
ADVISORIES = "https://api.osv.dev/v1/querybatch"  # osv.dev, open, no key
PATIENCE_S = 5.0
OURS = {"field-atlas", "pip", "setuptools", "wheel"}  # the package itself, and what a new environment begins with
_LINE = re.compile(r"(?P<name>[A-Za-z0-9._-]+)==(?P<version>[^\s;\\]+)\s*(?:;\s*(?P<marker>[^\\]+?))?\s*\\?")

Ask = Callable[[bytes], bytes]


@dataclass(frozen=True)
class Locked:
    """One line of a lock: a version, where it is meant for, and how many digests its files may have."""

    name: str
    version: str
    marker: str
    digests: int

    @property
    def meant_here(self) -> bool:
        return not self.marker or Marker(self.marker).evaluate()


def locked(text: str) -> list[Locked]:
    """The lines of a lock. Raises ValueError for one that fixes no version."""
    found: list[Locked] = []
    for block in re.split(r"\n(?=\S)", "\n" + text):
        line = block.strip().split("\n")[0]
        if not line or line.startswith("#"):
            continue
        told = _LINE.fullmatch(line)
        if told is None:
            raise ValueError(f"'{line}' fixes no version; make the lock anew with .ci/lock.")
        digests = len(re.findall(r"--hash=sha256:[0-9a-f]{64}\b", block))
        found.append(Locked(canonicalize_name(told["name"]), told["version"], told["marker"] or "", digests))
    return found


def check_lock(name: str, lock: Iterable[Locked], asked_for: Iterable[str]) -> list[str]:
    """What is wrong with a lock by itself and against what pyproject.toml asks for."""
    lines = list(lock)
    bare = [one.name for one in lines if not one.digests]
    wrong = [f"{name}: {one} has no digest; make the lock anew with .ci/lock." for one in bare]
    for text in asked_for:
        wish = Requirement(text)
        versions = [one.version for one in lines if one.name == canonicalize_name(wish.name)]
        if not versions:
            wrong.append(f"{name}: {wish.name} is missing, which pyproject.toml asks for; run .ci/lock.")
        wrong += [
            f"{name}: {wish.name} is locked at {version}, pyproject.toml asks for {wish.specifier}; run .ci/lock."
            for version in versions
            if not wish.specifier.contains(version, prereleases=True)
        ]
    return wrong


def check_installed(lock: Iterable[Locked], installed: Mapping[str, str]) -> tuple[list[str], list[str]]:
    """What is installed against what is locked for this machine: what is wrong, and what is merely there too."""
    wanted = {one.name: one.version for one in lock if one.meant_here}
    wrong = [f"{n} {version} is locked and not installed." for n, version in wanted.items() if n not in installed]
    wrong += [
        f"{name} is installed at {installed[name]} and locked at {version}."
        for name, version in wanted.items()
        if installed.get(name, version) != version
    ]
    return sorted(wrong), sorted(f"{n} {v}" for n, v in installed.items() if n not in wanted and n not in OURS)


def asked_for(project: Mapping[str, Any], extras: bool) -> list[str]:
    """Requirements of pyproject.toml, with those of all extras or without."""
    told = [*project["build-system"]["requires"], *project["project"]["dependencies"]]
    more = project["project"].get("optional-dependencies", {})
    return told + (
        [r for extra in more.values() for r in extra if not r.startswith("field-atlas")] if extras else []
    )


def advisories(lock: Iterable[Locked], ask: Ask) -> dict[str, list[str]]:
    """Published advisories by "name version". Raises OSError where nobody answers, ValueError for no answer."""
    lines = list(lock)
    queries = [{"package": {"ecosystem": "PyPI", "name": one.name}, "version": one.version} for one in lines]
    told = json.loads(ask(json.dumps({"queries": queries}).encode()))
    results = told.get("results") if isinstance(told, dict) else None
    if not isinstance(results, list) or len(results) != len(lines):
        raise ValueError("the answer is none to what was asked")
    found = {}
    for one, result in zip(lines, results, strict=True):
        if ids := sorted(str(v["id"]) for v in (result or {}).get("vulns", ())):
            found[f"{one.name} {one.version}"] = ids
    return found


def looked_at(text: str) -> dict[str, str]:
    """Advisories that somebody has judged, with why. Raises ValueError for one without a reason."""
    known = {}
    for line in text.splitlines():
        if line.strip() and not line.startswith("#"):
            name, _, reason = line.strip().partition(" ")
            if not reason.strip():
                raise ValueError(f".ci/advisories.txt: '{name}' has no reason; say why it does not matter here.")
            known[name] = reason.strip()
    return known


def judged(found: Mapping[str, list[str]], known: Mapping[str, str]) -> list[str]:
    """Advisories that nobody has looked at, one sentence each."""
    return [
        f"{version} has advisory {name}; lock a version without it (.ci/lock --upgrade), or say in "
        ".ci/advisories.txt why it does not matter here."
        for version, names in found.items()
        for name in names
        if name not in known
    ]


def ask_osv(question: bytes) -> bytes:
    asked = urllib.request.Request(ADVISORIES, question, {"Content-Type": "application/json"})
    with urllib.request.urlopen(asked, timeout=PATIENCE_S) as answer:
        return bytes(answer.read())


def audit(root: Path, installed: Mapping[str, str], ask: Ask) -> tuple[list[str], list[str]]:
    """Everything at once: what is wrong, and what to say."""
    project = tomllib.loads((root / "pyproject.toml").read_text("utf-8"))
    locks = {name: locked((root / name).read_text("utf-8")) for name in LOCKS}
    wrong = [
        w for name, lock in locks.items() for w in check_lock(name, lock, asked_for(project, name != LOCKS[0]))
    ]
    everything = locks[LOCKS[1]]
    missing, more = check_installed(everything, installed)
    wrong += missing
    said = [f"installed, and in no lock: {', '.join(more)}."] if more else []
    known = looked_at((root / ".ci" / "advisories.txt").read_text("utf-8"))
    try:
        found = advisories(everything, ask)
    except (OSError, ValueError, TypeError, KeyError, AttributeError) as e:
        said.append(f"NOT ASKED FOR ADVISORIES ({e}): no locked version was held against a list of known faults.")
    else:
        wrong += judged(found, known)
        said.append(f"{len(everything)} locked versions asked about, {sum(map(len, found.values()))} advisories.")
    return wrong, said


def main() -> None:
    here = {str(canonicalize_name(d.metadata["Name"])): d.version for d in distributions() if d.metadata["Name"]}
    wrong, said = audit(ROOT, here, ask_osv)
    for line in said:
        print(f"audit: {line}")
    for line in wrong:
        print(f"audit: {line}", file=sys.stderr)
    if wrong:
        sys.exit(1)
    print("audit: what is installed is what is locked.")


if __name__ == "__main__":
    main()
