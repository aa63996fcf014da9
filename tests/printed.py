"""Looks at a PDF the way a reader or a copier does: through poppler's programs, pixels and words only."""

from __future__ import annotations

import re
import subprocess
from dataclasses import dataclass
from html import unescape
from pathlib import Path

import numpy as np
from PIL import Image

Grey = np.ndarray


@dataclass(frozen=True)
class Word:
    """A word on a page and the box it stands in, millimetres from the upper left corner."""

    text: str
    left: float
    top: float
    right: float
    bottom: float


@dataclass(frozen=True)
class Run:
    """A stretch of black pixels in one row, pixels."""

    first: int
    last: int


def grey(pdf: Path, page: int, dpi: int) -> Grey:
    """One page as grey pixels, (rows, cols), 0 black."""
    out = pdf.with_name(f"{pdf.stem}-{page}-{dpi}")
    pages = ["-f", str(page), "-l", str(page), "-singlefile"]
    subprocess.run(["pdftoppm", "-r", str(dpi), "-gray", "-png", *pages, pdf, out], check=True)
    return np.asarray(Image.open(out.with_suffix(".png")).convert("L"))


def words(pdf: Path, page: int) -> list[Word]:
    """The words of one page in reading order."""
    command = ["pdftotext", "-bbox", "-f", str(page), "-l", str(page), str(pdf), "-"]
    found = re.findall(
        r'<word xMin="([\d.-]+)" yMin="([\d.-]+)" xMax="([\d.-]+)" yMax="([\d.-]+)">(.*?)</word>', _said(command)
    )
    return [Word(unescape(t), *(float(v) * 25.4 / 72 for v in box)) for *box, t in found]


def text(pdf: Path, page: int | None = None) -> str:
    """All words in reading order, spaces run together."""
    pages = [] if page is None else ["-f", str(page), "-l", str(page)]
    return " ".join(_said(["pdftotext", *pages, str(pdf), "-"]).split())


def info(pdf: Path) -> dict[str, str]:
    lines = (line.split(":", 1) for line in _said(["pdfinfo", str(pdf)]).splitlines() if ":" in line)
    return {key.strip(): value.strip() for key, value in lines}


def structure(pdf: Path, *, words: bool = False) -> str:
    """The structure a screen reader follows; with `words` the text of each part, which is slow on many pages."""
    return _said(["pdfinfo", "-struct-text" if words else "-struct", str(pdf)])


def fonts(pdf: Path) -> list[list[str]]:
    """For each face its name, and "yes" or "no" for embedded and for mapped to Unicode."""
    rows = _said(["pdffonts", str(pdf)]).splitlines()[2:]
    return [[row.split()[0], *row.split()[-5:-2]] for row in rows]


def runs(row: Grey, darker_than: int = 128) -> list[Run]:
    """The black stretches of one row of pixels."""
    dark = np.flatnonzero(np.diff(np.concatenate([[0], (row < darker_than).astype(int), [0]])))
    return [Run(int(a), int(b) - 1) for a, b in zip(dark[::2], dark[1::2], strict=True)]


def _said(command: list[str]) -> str:
    done = subprocess.run(command, check=True, capture_output=True)
    return done.stdout.decode()
