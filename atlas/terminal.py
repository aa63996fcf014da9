"""What is printed on a terminal, a line at a time: text of a farm file can neither move the cursor, clear the
screen, turn the reading direction, nor begin a line of its own."""

from __future__ import annotations

import sys
import unicodedata

import click

# Control signs, signs without a shape (they turn the reading direction or join letters), halves of signs, and
# line and paragraph separators.
_UNSEEN = frozenset(("Cc", "Cf", "Cs", "Zl", "Zp"))


LONGEST_LINE = 1_000  # characters; nobody reads on, and a file may bring a name of a million


def visible(text: str) -> str:
    """The text with every sign that a terminal would obey or hide written out, an escape as `\\x1b`."""
    if text.isprintable():
        return text
    return "".join(_written_out(sign) if unicodedata.category(sign) in _UNSEEN else sign for sign in text)


def say(*lines: str, err: bool = False) -> None:
    """Print lines; what the terminal's own encoding lacks is written out too, and an endless line is cut."""
    stream = sys.stderr if err else sys.stdout
    encoding = stream.encoding or "utf-8"
    for line in lines:
        shown = visible(line)
        if len(shown) > LONGEST_LINE:
            shown = f"{shown[:LONGEST_LINE]} …"
        click.echo(shown.encode(encoding, "backslashreplace").decode(encoding), file=stream)


def _written_out(sign: str) -> str:
    return sign.encode("unicode_escape", "surrogatepass").decode("ascii")
