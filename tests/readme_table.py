"""README's table of commands, made from the commands' own --help. `python tests/readme_table.py` writes it in."""

from __future__ import annotations

import re
from pathlib import Path

import click

from atlas.cli import main

README = Path(__file__).parents[1] / "README.md"
PLACE = re.compile(r"(<!-- commands -->\n).*?(<!-- /commands -->)", re.S)


def table() -> str:
    """One row per command: how it is called, what its help says first."""
    rows = ["| command | what it does |", "|---|---|"]
    for name, command in main.commands.items():
        context = click.Context(command, info_name=f"field-atlas {name}")
        usage = " ".join(command.collect_usage_pieces(context))
        options = [
            f"[{p.opts[0]}]" if not p.required else p.opts[0]
            for p in command.params
            if isinstance(p, click.Option)
        ]
        call = " ".join(["field-atlas", name, usage.replace("[OPTIONS] ", ""), *options])
        first = (command.help or "").strip().split("\n\n")[0]
        rows.append(f"| `{' '.join(call.split())}` | {' '.join(first.split())} |")
    return "\n".join(rows)


def with_table(readme: str) -> str:
    """README text with the table as the commands are now."""
    return PLACE.sub(lambda m: f"{m[1]}\n{table()}\n\n{m[2]}", readme)


if __name__ == "__main__":
    README.write_text(with_table(README.read_text(encoding="utf-8")), encoding="utf-8")
