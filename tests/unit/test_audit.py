"""The audit of the locks, on made locks and made answers: each thing that may be wrong is found."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from pathlib import Path

import audit
import pytest

ROOT = Path(__file__).parents[2]
DIGEST = "--hash=sha256:" + "0" * 64
LOCK = f"""# a comment
alpha==1.2 \\
    {DIGEST} \\
    {DIGEST}
    # via field-atlas
beta-more==2.0 ; sys_platform == 'nowhere' \\
    {DIGEST}
gamma==3.1.post1 ; python_full_version >= '3.11' \\
    {DIGEST}
"""
HERE = {"alpha": "1.2", "gamma": "3.1.post1"}
PROJECT = """
[build-system]
requires = ["gamma>=3"]
[project]
dependencies = ["alpha>=1.0"]
[project.optional-dependencies]
test = ["beta_more<3"]
all = ["field-atlas[test]"]
"""


def answer(*vulns: list[str]) -> Callable[[bytes], bytes]:
    """A service that knows of these advisories, one list for each line of the lock."""

    def ask(question: bytes) -> bytes:
        assert json.loads(question)["queries"][0] == {
            "package": {"ecosystem": "PyPI", "name": "alpha"},
            "version": "1.2",
        }
        return json.dumps(
            {"results": [{"vulns": [{"id": i} for i in ids]} if ids else {} for ids in vulns]}
        ).encode()

    return ask


QUIET = answer([], [], [])


@pytest.fixture
def root(tmp_path: Path) -> Path:
    (tmp_path / ".ci").mkdir()
    (tmp_path / "pyproject.toml").write_text(PROJECT)
    for name in audit.LOCKS:
        (tmp_path / name).write_text(LOCK)
    (tmp_path / ".ci" / "advisories.txt").write_text("# none\n")
    return tmp_path


def test_all_well(root: Path) -> None:
    wrong, said = audit.audit(root, {**HERE, "pip": "25.0", "field-atlas": "0.1"}, QUIET)
    assert wrong == []
    assert said == ["3 locked versions asked about, 0 advisories."]


def test_what_is_installed_must_be_what_is_locked(root: Path) -> None:
    wrong, said = audit.audit(root, {"alpha": "1.3", "delta": "4"}, QUIET)
    assert wrong == [
        "alpha is installed at 1.3 and locked at 1.2.",
        "gamma 3.1.post1 is locked and not installed.",
    ]
    assert said[0] == "installed, and in no lock: delta 4."


@pytest.mark.parametrize(
    ("old", "new", "found"),
    [
        ("alpha>=1.0", "alpha>=1.3", "alpha is locked at 1.2, pyproject.toml asks for >=1.3"),
        ("beta_more<3", "beta_more>2", "beta_more is locked at 2.0, pyproject.toml asks for >2"),
        ("gamma>=3", "gamma>=4", "gamma is locked at 3.1.post1, pyproject.toml asks for >=4"),
        ("alpha>=1.0", "omega", "omega is missing, which pyproject.toml asks for"),
    ],
)
def test_what_is_locked_must_be_what_is_asked_for(root: Path, old: str, new: str, found: str) -> None:
    (root / "pyproject.toml").write_text(PROJECT.replace(old, new))
    wrong, _ = audit.audit(root, HERE, QUIET)
    assert any(found in sentence for sentence in wrong), wrong


def test_a_line_without_a_digest_or_a_version_is_found(root: Path) -> None:
    (root / "requirements.lock").write_text(LOCK + "delta==1.0\n    # via alpha\n")
    wrong, _ = audit.audit(root, HERE, QUIET)
    assert wrong == ["requirements.lock: delta has no digest; make the lock anew with .ci/lock."]
    for line in ("delta>=1.0", "delta @ https://192.0.2.1/delta.whl", "--index-url https://192.0.2.1"):
        with pytest.raises(ValueError, match="fixes no version"):
            audit.locked(LOCK + line + "\n")


def test_an_advisory_fails_unless_somebody_has_looked_at_it(root: Path) -> None:
    ask = answer(["OSV-1", "OSV-2"], [], [])
    wrong, said = audit.audit(root, HERE, ask)
    assert [w.split(";")[0] for w in wrong] == ["alpha 1.2 has advisory OSV-1", "alpha 1.2 has advisory OSV-2"]
    assert said == ["3 locked versions asked about, 2 advisories."]
    (root / ".ci" / "advisories.txt").write_text("# judged\nOSV-2  reads no such files\nOSV-1  not here\n")
    assert audit.audit(root, HERE, ask)[0] == []
    (root / ".ci" / "advisories.txt").write_text("OSV-1\n")
    with pytest.raises(ValueError, match="'OSV-1' has no reason"):
        audit.audit(root, HERE, ask)


@pytest.mark.parametrize("told", [b"", b"<html>", b"[]", b"{}", b'{"results": []}', b'{"results": [1, 2, 3]}'])
def test_no_answer_is_said_loudly_and_is_no_failure(root: Path, told: bytes) -> None:
    def unreachable(_: bytes) -> bytes:
        raise OSError("nobody there")

    for ask in (unreachable, lambda _: told):
        wrong, said = audit.audit(root, HERE, ask)
        assert wrong == []
        assert said[0].startswith("NOT ASKED FOR ADVISORIES (")


@pytest.mark.parametrize("told", [b"[]", b"{}", b'{"results": []}', b'{"results": [{}, {}]}', b'{"results": 3}'])
def test_an_answer_to_something_else_is_told_as_such(root: Path, told: bytes) -> None:
    _, said = audit.audit(root, HERE, lambda _: told)
    assert said[0].startswith("NOT ASKED FOR ADVISORIES (the answer is none to what was asked)")


def test_the_command_fails_where_something_is_wrong(
    root: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(audit, "ROOT", root)
    monkeypatch.setattr(audit, "ask_osv", QUIET)
    with pytest.raises(SystemExit, match="1"):
        audit.main()
    assert "audit: alpha 1.2 is locked and not installed." in capsys.readouterr().err


def test_our_locks_are_whole_and_hold_what_is_asked_for(tmp_path: Path) -> None:
    """And no line of theirs brings a gigabyte along for something nobody uses."""
    for name in (*audit.LOCKS, "pyproject.toml", ".ci/advisories.txt"):
        (tmp_path / name).parent.mkdir(exist_ok=True)
        shutil.copy(ROOT / name, tmp_path / name)
    runtime, everything = (audit.locked((ROOT / name).read_text("utf-8")) for name in audit.LOCKS)
    here = {one.name: one.version for one in everything if one.meant_here}
    assert audit.audit(tmp_path, here, lambda _: b"")[0] == []
    assert not [one.name for one in everything if one.name.startswith(("torch", "nvidia", "triton", "cuda"))]
    assert {(o.name, o.version) for o in runtime} <= {(o.name, o.version) for o in everything}


def test_both_commands_install_from_the_locks() -> None:
    for name, lock in (("demo", "requirements.lock"), ("test", ".ci/tests.lock")):
        steps = [line for line in (ROOT / ".ci" / name).read_text().splitlines() if "pip install" in line]
        assert f"--require-hashes --requirement {lock}" in steps[0]
        assert all("--no-deps --no-build-isolation" in step for step in steps[1:])
    assert "tests/audit.py" in (ROOT / ".ci" / "test").read_text()
