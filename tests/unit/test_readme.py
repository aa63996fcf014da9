"""README says what the commands say, and its two commands are what CI runs."""

from __future__ import annotations

from pathlib import Path

import readme_table

ROOT = Path(__file__).parents[2]


def test_the_table_of_commands_is_made_from_their_help() -> None:
    text = readme_table.README.read_text(encoding="utf-8")
    assert text == readme_table.with_table(text), "run: python tests/readme_table.py"


def test_ci_runs_the_same_command_as_readme_gives() -> None:
    assert "sh .ci/test" in readme_table.README.read_text(encoding="utf-8")
    assert (ROOT / ".ci" / "run").read_text().rstrip().endswith("exec sh .ci/test")


def test_every_picture_named_in_readme_is_there() -> None:
    import re

    text = readme_table.README.read_text(encoding="utf-8")
    pictures = re.findall(r"!\[[^\]]+\]\(([^)]+)\)", text)
    assert len(pictures) >= 3
    for picture in pictures:
        assert (ROOT / picture).is_file(), picture
