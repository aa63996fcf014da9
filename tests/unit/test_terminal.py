"""What a farm file or a marks file says reaches the terminal as signs to read, never as orders to obey."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import hostile_farm
import pytest
from hypothesis import given
from hypothesis import strategies as st

from atlas.cli import main
from atlas.terminal import say, visible

ROOT = Path(__file__).parents[2]
Run = Callable[..., tuple[int, str, str]]


@pytest.mark.parametrize(
    ("text", "seen"),
    [
        ("Wiese, 3 %: \u00e9\u00df \u30a2 \U0001f33e", "Wiese, 3 %: \u00e9\u00df \u30a2 \U0001f33e"),
        ("a\u00a0b\u202f1", "a\u00a0b\u202f1"),  # spaces that do not break are spaces
        ("\x1b[2Jgone", "\\x1b[2Jgone"),
        ("\x9b31mred\x07", "\\x9b31mred\\x07"),
        ("one\ntwo\r\tthree", "one\\ntwo\\r\\tthree"),
        ("\u202etuo peek\u2066", "\\u202etuo peek\\u2066"),
        ("a\u2028b\u2029c\u200bd", "a\\u2028b\\u2029c\\u200bd"),
        ("\udc80", "\\udc80"),  # of a file name that is no text
        ("\U000e0041", "\\U000e0041"),
    ],
)
def test_what_is_not_to_be_read_is_written_out(text: str, seen: str) -> None:
    assert visible(text) == seen


@given(st.text())
def test_one_line_of_signs_comes_out_whatever_goes_in(text: str) -> None:
    out = visible(text)
    assert out.splitlines() in ([], [out])
    assert visible(out) == out
    out.encode()


def test_a_terminal_that_lacks_a_sign_gets_it_written_out() -> None:
    ran = subprocess.run(
        [sys.executable, "-c", "from atlas.terminal import say; say('gr\u00fcn \u2265 1')"],
        env={**os.environ, "PYTHONIOENCODING": "latin-1"}, capture_output=True, check=True,
    )  # fmt: skip
    assert ran.stdout == b"gr\xfcn \\u2265 1\n"


def test_lines_stay_lines(capsys: pytest.CaptureFixture[str]) -> None:
    say("one", "two\nthree", err=True)
    assert capsys.readouterr().err == "one\ntwo\\nthree\n"


def test_commands_print_no_other_way() -> None:
    for path in (ROOT / "atlas").rglob("*.py"):
        text = path.read_text("utf-8")
        assert "print(" not in text.replace("fingerprint(", ""), path.name
        assert path.name == "terminal.py" or "echo(" not in text, path.name


@pytest.fixture(scope="module")
def hostile(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A hostile farm file under a hostile name."""
    folder = tmp_path_factory.mktemp("hostile")
    farm = folder / "far\x1b[31mm<b>\u202e.gpkg"
    return hostile_farm.write(farm)


@pytest.fixture
def run(capfd: pytest.CaptureFixture[str]) -> Run:
    """A command in this process; exit code, and all that any library printed beside it."""

    def run(*command: object) -> tuple[int, str, str]:
        capfd.readouterr()
        code = 0
        try:
            main([str(c) for c in command], standalone_mode=False)
        except SystemExit as e:
            code = int(e.code or 0)
        return code, *capfd.readouterr()

    return run


def check_signs(out: str, err: str) -> None:
    for line in (out + err).split("\n"):
        assert visible(line) == line


def test_inspect_and_build(hostile: Path, run: Run, tmp_path: Path) -> None:
    code, out, err = run("inspect", hostile)
    assert (code, err) == (0, "")
    assert out.count(hostile_farm.SEEN) > 4
    assert "\\x1b[2J" in out
    check_signs(out, err)
    settings = tmp_path / "atlas.toml"
    settings.write_text("[print]\npdf = false\n")
    code, out, err = run("build", hostile, "--out", tmp_path / "bu\x1b[31mild", "--settings", settings)
    assert code == 0
    assert "is left out: ground is" in err
    assert hostile_farm.SEEN in err
    check_signs(out, err)


def test_refusals_are_one_line(hostile: Path, run: Run, tmp_path: Path) -> None:
    odd = "\x1b[2J\nno such"
    for command in (
        ("retire", hostile, odd),
        ("release", hostile, "--field", odd, "--ground", "damp", "--until", "2036-01-01", "--by", "Runa"),
        ("mark", hostile, odd, "--at", "1,2"),
        ("share", tmp_path / "no\x1b[2J\natlas", "--to", tmp_path),
    ):
        code, out, err = run(*command)
        assert (code, out, err.count("\n")) == (2, "", 1), command
        assert "\\x1b[2J" in err
        check_signs(out, err)


def test_a_word_of_ours_that_is_none_is_said_in_signs(hostile: Path, run: Run, tmp_path: Path) -> None:
    """The one text of the schema that the hostile farm cannot hold: its row would be refused."""
    farm = tmp_path / "farm.gpkg"
    shutil.copy(hostile, farm)
    hostile_farm.set_kind(farm, hostile_farm.HOSTILE)
    code, out, err = run("--debug", "build", farm, "--out", tmp_path / "build")
    assert code == 2
    assert "it is one of wet_spot" in err
    assert hostile_farm.SEEN in err
    check_signs(out, err)


def test_taking_in(hostile: Path, run: Run, tmp_path: Path) -> None:
    marks = tmp_path / "ma\x1b[2Jrks.geojson"
    told = [{"hazard_id": hostile_farm.HOSTILE, "kind": hostile_farm.HOSTILE}, {"gone": hostile_farm.HOSTILE}]
    rows = [{"type": "Feature", "geometry": None, "properties": t} for t in told]
    head = {"format": "field-atlas-marks/1", "edition": 1, "farm": hostile_farm.HOSTILE}
    marks.write_text(json.dumps({"type": "FeatureCollection", **head, "features": rows}))
    code, out, err = run("take-in", hostile, marks)
    assert code == 2
    assert "refused" in out
    assert "\\x1b[2J" in out
    check_signs(out, err)
