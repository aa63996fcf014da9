"""The demo farm on paper: every field, each small enough, each code its own place."""

from __future__ import annotations

import json
import re
import shutil
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path

import printed
import pytest
import zxingcpp
from PIL import Image

from atlas.paper.page_tree import Element, read_page
from atlas.paper.style_rules import rules


@pytest.fixture(scope="module")
def demo_pdf(demo_atlas: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return Path(shutil.copy(demo_atlas / "print" / "atlas.pdf", tmp_path_factory.mktemp("demo")))


def test_every_field_small_and_with_its_own_code(demo_atlas: Path, demo_pdf: Path) -> None:
    fields = json.loads((demo_atlas / "data" / "atlas.json").read_bytes())["fields"]
    assert len(fields) == 16
    assert demo_pdf.stat().st_size < 300_000 * len(fields)
    pages = int(printed.info(demo_pdf)["Pages"])
    found = {}
    for page in range(1, pages + 1):
        said = printed.text(demo_pdf, page)
        if "sheet 1 of" not in said:  # a sheet's code stands in front
            continue
        for code in zxingcpp.read_barcodes(Image.fromarray(printed.grey(demo_pdf, page, 75))):
            found[code.text] = said
    for field in fields:
        own = demo_atlas / "print" / "fields" / f"{Path(field['page']).stem}.pdf"
        assert own.stat().st_size < 300_000
        told = found[f"geo:{field['lat']:.6f},{field['lon']:.6f}"]
        assert told.startswith(field["name"])
        for hazard in field["hazards"]:
            assert f"{hazard['tag']}" in told
    assert len(found) == len(fields)


def test_a_field_s_lines_in_the_list_stay_together_and_apart_from_others(demo_atlas: Path, demo_pdf: Path) -> None:
    """In each column of the list the first line below the head is a field's, and between fields is more room than
    between a field's own lines."""
    fields = json.loads((demo_atlas / "data" / "atlas.json").read_bytes())["fields"]
    words = printed.words(demo_pdf, 2)
    heads = sorted(w.left for w in words if w.text == "No.")
    assert len(heads) == 2
    second = heads[1] - 5
    for left, right in ((0.0, second), (second, float("inf"))):
        here = [w for w in words if left <= w.left < right]
        (head,) = (w.top for w in here if w.text == "machine")
        edge = min(w.left for w in here if w.text in {f["name"].split()[0] for f in fields} and w.top > head)
        lines = sorted({round(w.top, 1) for w in here if w.top > head + 1 and abs(w.left - edge) < 1})
        named = {round(w.top, 1) for w in here if w.text.isdigit() and w.left < edge}
        assert lines[0] in named, "the first line of a column is the rest of a field of the one before"
        steps = list(pairwise(lines))
        within = max(b - a for a, b in steps if b not in named)
        assert min(b - a for a, b in steps if b in named) > 1.25 * within


def test_a_sheet_says_what_its_page_says(demo_atlas: Path) -> None:
    """Notes, places and distances of every marking are on paper, and every sentence of the first screen."""
    for page in sorted((demo_atlas / "fields").glob("*.html"))[:6]:
        told = printed.text(demo_atlas / "print" / "fields" / f"{page.stem}.pdf").replace("\u00a0", " ")
        main = read_page(page.read_bytes())
        wanted = [e.text() for name in ("where-not", "release") for e in main.every("div", name)]
        wanted += [e.text() for e in main.every("q")]
        assert wanted
        for words in wanted:
            for part in words.split(". "):
                assert squeezed(part.rstrip(".")) in squeezed(told), (page.stem, part)


def test_every_part_of_a_picture_has_its_style(demo_atlas: Path) -> None:
    """What no known style sheet speaks of would come out black: a new picture's has to be named in SHEETS."""
    known = {name for rule in rules() for named in rule.parts for name in named.classes}
    pages = [*sorted((demo_atlas / "fields").glob("*.html"))[:4], demo_atlas / "index.html"]
    used: set[str] = set()
    for page in pages:
        for picture in pictures_of(read_page(page.read_bytes())):
            drawn = re.findall(r'<(?:path|rect|circle|text)\b[^>]*? class="([^"]+)"([^>]*)', picture.markup)
            bare = {words for words, rest in drawn if "fill=" not in rest}
            used |= {words for words in bare if not known.intersection(words.split())}
    assert used <= {"strip-word"}  # has its style from where it stands


def pictures_of(element: Element) -> Iterator[Element]:
    """The pictures that come to paper."""
    for child in element.children:
        if isinstance(child, Element) and child.on_paper():
            yield from [child] if child.tag == "svg" else pictures_of(child)


def squeezed(text: str) -> str:
    """Without spaces and hyphens: pdftotext joins what a line's end parts at a hyphen."""
    return "".join(text.replace("-", "").split())
