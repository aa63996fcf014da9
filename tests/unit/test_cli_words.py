"""What the commands say on a terminal: the bar of a long build, the next command, the list of commands."""

from __future__ import annotations

import io
import shlex
import time
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

from atlas.cli import main
from atlas.cli_words import steps, typed


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


def test_the_bar_tells_the_time_left(monkeypatch: pytest.MonkeyPatch) -> None:
    clock = [1000.0]
    monkeypatch.setattr(time, "time", lambda: clock[0])
    screen = Terminal()
    with click.progressbar(length=1, label="Fields", show_pos=True, file=screen) as bar:
        step = steps(bar)
        for done in range(1, 5):
            clock[0] += 30.0
            step(done, 100)
    last = screen.getvalue().split("\r")[-1]
    assert "4/100" in last
    assert "00:48:00" in last  # 96 fields of half a minute each


@pytest.mark.parametrize(
    "name", ["farm.gpkg", "our farm.gpkg", "-farm.gpkg", "O'Neil \U0001f600.gpkg", "a/$b.gpkg"]
)
def test_the_next_command_can_be_typed_as_it_is_said(name: str) -> None:
    (word,) = shlex.split(typed(Path(name)))
    assert Path(word) == Path(name)
    assert not word.startswith("-")


@pytest.mark.parametrize("name", main.commands)
def test_the_list_of_commands_gives_each_first_sentence_whole_on_a_terminal_of_80_columns(name: str) -> None:
    run = CliRunner().invoke(main, ["--help"], env={"COLUMNS": "80"})
    (line,) = (x for x in run.stdout.splitlines() if x.startswith(f"  {name} "))
    help_text = " ".join((main.commands[name].help or "").split())
    first = line.removeprefix(f"  {name} ").strip()
    assert first.endswith(".")
    assert not first.endswith("..")
    assert help_text.startswith(f"{first} ")
    assert len(line) <= 80
