"""The overview on paper: one sheet, and a scale that is true on it."""

from __future__ import annotations

import json
import re
import subprocess
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from browsing import DEMO_NOW, visiting
from PIL import Image
from playwright.sync_api import Browser, Page

from atlas.driving.machines import rig
from atlas.farm.opening import open_farm
from atlas.pages.context import page_context
from atlas.pages.overview import OverviewEntry, farm_relief, overview_page
from atlas.settings import parse

DPI = 300
MM = DPI / 25.4
# ISO 216, millimetres (from memory)
PAPERS = {
    ("A4", "upright"): (210, 297),
    ("A4", "sideways"): (297, 210),
    ("A3", "upright"): (297, 420),
    ("A3", "sideways"): (420, 297),
}


@dataclass(frozen=True)
class Printed:
    """What came out of the browser's printing: grey pixels, and the words with their places in points."""

    pages: int
    width_mm: float
    height_mm: float
    grey: np.ndarray
    words: list[tuple[str, float, float, float, float]]  # text, left, top, right, bottom in points

    @property
    def text(self) -> str:
        return " ".join(w[0] for w in self.words)


@pytest.fixture(scope="module")
def entries(demo_folder: Path) -> list[OverviewEntry]:
    """As the build remembers them."""
    from atlas.editions.state import state_path, unpack

    data = json.loads((demo_folder / "build" / "data" / "atlas.json").read_bytes())
    slugs = [Path(f["page"]).stem for f in data["fields"]]
    states = [unpack((demo_folder / "build" / state_path(s)).read_bytes()) for s in slugs]
    return [OverviewEntry.from_json(s.entry) for s in states if s is not None]


@pytest.mark.parametrize(("paper", "turned"), list(PAPERS))
def test_one_sheet_true_to_scale(
    demo_folder: Path, entries: list[OverviewEntry], browser: Browser, tmp_path: Path, paper: str, turned: str
) -> None:
    page_file = _on_paper(demo_folder, entries, tmp_path, paper, turned)
    with visiting(browser) as visit:
        visit.page.clock.set_fixed_time(DEMO_NOW)  # releases hold: their rows are the longer ones
        page = visit.open(page_file)
        bar = _bar_box(page)
        page.pdf(path=tmp_path / "overview.pdf", prefer_css_page_size=True, print_background=False)
        assert _cut_off(page) == []
        visit.check_quiet()
    printed = _printed(tmp_path / "overview.pdf")

    width, height = PAPERS[paper, turned]
    assert printed.pages == 1
    assert printed.width_mm == pytest.approx(width, abs=0.5)
    assert printed.height_mm == pytest.approx(height, abs=0.5)

    scale = _number(re.search(r"1:(\d+(?: \d{3})*)", printed.text))
    ground = _number(re.fullmatch(r"0 (\d+(?: \d{3})*) m", _words_above(printed, bar)))
    on_paper = _bar_length_mm(printed.grey, bar)
    assert on_paper * scale / 1000 == pytest.approx(ground, rel=0.01)

    for eastings in (True, False):
        step = _between_labels(printed, eastings)
        assert step.paper_mm * scale / 1000 == pytest.approx(step.ground_m, rel=0.01)


def _on_paper(demo_folder: Path, entries: list[OverviewEntry], tmp_path: Path, paper: str, turned: str) -> Path:
    """The demo's overview for another sheet: only that page is made again."""
    settings = parse({"farm": {"name": "Hof am Zwaibel"}, "print": {"paper": paper, "turned": turned}})
    farm = open_farm(demo_folder / "farm.gpkg", settings, DEMO_NOW)
    context = page_context(farm, settings, rig(settings), 1, DEMO_NOW)
    made = overview_page(entries, context, farm_relief(farm, settings))
    (tmp_path / "assets").symlink_to(demo_folder / "build" / "assets")
    (tmp_path / "index.html").write_bytes(made["index.html"])
    return tmp_path / "index.html"


@dataclass(frozen=True)
class Box:
    """A place on the sheet, millimetres from its upper left corner."""

    left: float
    top: float
    right: float
    bottom: float


@dataclass(frozen=True)
class Label:
    """A grid number and where it stands, millimetres."""

    value: int
    x: float
    y: float


@dataclass(frozen=True)
class Distance:
    paper_mm: float
    ground_m: float


def _bar_box(page: Page) -> Box:
    """Roughly where the bar is, to know where to look; what is measured are the printed pixels."""
    page.emulate_media(media="print")
    box = page.locator(".ov-bar-edge").bounding_box()
    page.emulate_media(media="null")
    assert box is not None
    mm = 25.4 / 96
    return Box(box["x"] * mm, box["y"] * mm, (box["x"] + box["width"]) * mm, (box["y"] + box["height"]) * mm)


def _cut_off(page: Page) -> list[str]:
    """Words that have no room on the sheet."""
    page.emulate_media(media="print")
    found: list[str] = page.evaluate(
        """() => {
          const box = document.querySelector(".ov-words");
          const edge = box.getBoundingClientRect();
          const out = [...box.querySelectorAll("li, tr, p, h2")].filter(e => {
            const r = e.getBoundingClientRect();
            return r.width > 0 && (r.bottom > edge.bottom + 1 || r.right > edge.right + 1);
          });
          const list = document.querySelector(".ov-list");
          if (list.scrollHeight > list.clientHeight + 1) { out.push(list); }
          const signs = document.querySelector(".ov-signs").getBoundingClientRect();
          const caption = document.querySelector("figcaption").getBoundingClientRect();
          const said = out.map(e => e.textContent.trim().slice(0, 40));
          return caption.bottom > signs.top + 1 ? said.concat(["the caption runs into the signs"]) : said;
        }"""
    )
    page.emulate_media(media="null")
    return found


def _printed(pdf: Path) -> Printed:
    """Rendered by Poppler, which shares no code with the browser."""
    info = subprocess.run(["pdfinfo", pdf], check=True, capture_output=True, text=True).stdout
    size = re.search(r"Page size:\s+([\d.]+) x ([\d.]+) pts", info)
    pages = re.search(r"Pages:\s+(\d+)", info)
    assert size
    assert pages
    picture = pdf.with_suffix("")
    subprocess.run(["pdftoppm", "-r", str(DPI), "-gray", "-f", "1", "-singlefile", pdf, picture], check=True)
    boxes = subprocess.run(["pdftotext", "-bbox", pdf, "-"], check=True, capture_output=True, text=True).stdout
    word = r'<word xMin="([\d.]+)" yMin="([\d.]+)" xMax="([\d.]+)" yMax="([\d.]+)">([^<]*)</word>'
    words = [(t, float(a), float(b), float(c), float(d)) for a, b, c, d, t in re.findall(word, boxes)]
    point = 25.4 / 72
    return Printed(
        int(pages[1]),
        float(size[1]) * point,
        float(size[2]) * point,
        np.asarray(Image.open(picture.with_suffix(".pgm"))),
        words,
    )


def _words_above(printed: Printed, bar: Box) -> str:
    """What the bar says of itself, from left to right."""
    mm = 25.4 / 72
    above = [
        (left, text)
        for text, left, top, _, _ in printed.words
        if bar.top - 5 < top * mm < bar.top - 1 and bar.left - 3 < left * mm < bar.right + 4
    ]
    return " ".join(text for _, text in sorted(above))


def _bar_length_mm(grey: np.ndarray, bar: Box) -> float:
    """From the bar's first black pixel to its last, along its middle."""
    middle = round((bar.top + bar.bottom) / 2 * MM)
    left, right = round((bar.left - 3) * MM), round((bar.right + 3) * MM)
    black = np.flatnonzero(grey[middle, left:right] < 128)
    pieces = np.flatnonzero(np.diff(black) > 1)
    assert len(pieces) >= 1, "the bar shows no pieces"
    return float(black[-1] - black[0] + 1) / MM


def _between_labels(printed: Printed, eastings: bool) -> Distance:
    """Between the first and the last grid number of an edge."""
    labels = _grid_labels(printed)
    along = [lab for lab in labels if any(_same(lab, o, eastings) for o in labels)]
    first, last = min(along, key=lambda lab: lab.value), max(along, key=lambda lab: lab.value)
    assert first.value < last.value
    return Distance(last.x - first.x if eastings else first.y - last.y, last.value - first.value)


def _same(a: Label, b: Label, eastings: bool) -> bool:
    return a.value != b.value and abs(a.y - b.y if eastings else a.x - b.x) < 0.5


def _grid_labels(printed: Printed) -> list[Label]:
    """Numbers of six digits and more, put together from their groups of three."""
    point = 25.4 / 72
    found: list[Label] = []
    text, start, end = "", printed.words[0], 0.0
    # A halo paints a number twice, a point apart; sorted by height, each copy's groups stand together.
    ordered = sorted(printed.words, key=lambda w: (round(w[2], 1), w[1]))
    for word in [*ordered, ("", 0.0, 0.0, 0.0, 0.0)]:
        near = text and abs(word[2] - start[2]) < 0.1 and 0 <= word[1] - end < 2.5
        if near and re.fullmatch(r"\d{3}", word[0]):
            text += word[0]
        else:
            if len(text) >= 6:
                found.append(Label(int(text), start[1] * point, start[2] * point))
            text, start = (word[0], word) if re.fullmatch(r"\d{1,3}", word[0]) else ("", word)
        end = word[3]
    return found


def _number(found: re.Match[str] | None) -> int:
    assert found is not None, "not printed"
    return int(found[1].replace(" ", ""))
