"""A field's sheet on paper, looked at as a reader and a copier see it."""

from __future__ import annotations

import itertools
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pikepdf
import printed
import pytest
import zxingcpp
from made_sheet import made_context, made_survey
from PIL import Image

from atlas.driving.records import Reason, Zone
from atlas.errors import OutputError
from atlas.languages import language, speakers, speaking, tr
from atlas.pages.sheet import field_sheet
from atlas.paper.field import field_pdfs
from atlas.paper.page_tree import read_page
from atlas.survey import FieldSurvey, Place

DPI = 400
CTX = made_context()


def pdf_of(survey: FieldSurvey, folder: Path) -> Path:
    pages = field_sheet(survey, CTX)
    (content,) = field_pdfs(pages, survey.parcel.slug, survey.place, CTX).values()
    path = folder / "sheet.pdf"
    path.write_bytes(content)
    (folder / "sheet.html").write_bytes(pages[f"fields/{survey.parcel.slug}.html"])
    return path


@pytest.fixture(scope="module")
def survey() -> FieldSurvey:
    return made_survey(CTX)


@pytest.fixture(scope="module")
def sheet(survey: FieldSurvey, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return pdf_of(survey, tmp_path_factory.mktemp("paper"))


def test_the_same_page_gives_the_same_bytes(survey: FieldSurvey, sheet: Path, tmp_path: Path) -> None:
    assert pdf_of(survey, tmp_path).read_bytes() == sheet.read_bytes()


def test_small_tagged_and_with_its_own_faces(sheet: Path) -> None:
    assert sheet.stat().st_size < 300_000
    facts = printed.info(sheet)
    assert facts["Tagged"] == "yes"
    assert facts["Title"] == "Hintere Leitn · Hofstatt Ober-Raintl"
    assert facts["Page size"].startswith("595.276 x 841.89")
    faces = printed.fonts(sheet)
    assert {face[0].split("+")[1] for face in faces} == {"LiberationSans", "LiberationSans-Bold"}
    assert all(face[1:] == ["yes", "yes", "yes"] for face in faces), faces
    # the claim of PDF/UA-1, as ISO 14289-1 (5) has it written in the metadata
    assert b"<pdfuaid:part>1</pdfuaid:part>" in sheet.read_bytes()


def test_read_out_in_the_order_of_the_sheet(sheet: Path) -> None:
    order = [
        "Hintere Leitn", "Map 14, 12 June 2026", "Released by Vroni Tratzer", "new driver", "hand work, no",
        "Keep off", "What closes ground here", "First pass and turning", "Enter at the top gate", "Hand work",
        "New or unconfirmed", "Before you rely on this", "Once the machine slides", "Where this comes from",
    ]  # fmt: skip
    told = printed.structure(sheet, words=True)
    told = " ".join(re.sub(r'"\n\s*"', "", told).split())
    places = [told.find(part) for part in order]
    assert -1 not in places, order[places.index(-1)]
    assert places == sorted(places)
    assert re.findall(r"\bH([1-6])\b", told)[0] == "1"
    words = printed.text(sheet)
    assert all(part in words for part in order)


def test_pictures_say_what_they_are(sheet: Path) -> None:
    with pikepdf.open(sheet) as pdf:
        alts = [
            str(one.Alt)
            for one in pdf.objects
            if isinstance(one, pikepdf.Dictionary) and one.get("/S") == pikepdf.Name.Figure
        ]
    assert len(alts) == 2
    assert "Map of where this machine may go: Hintere Leitn" in alts
    assert any("geo:46.9" in a for a in alts)


def test_every_sheet_says_its_map_and_its_count(sheet: Path) -> None:
    pages = int(printed.info(sheet)["Pages"])
    assert pages == 2
    for page in range(1, pages + 1):
        assert f"Hintere Leitn · Map 14, 12 June 2026 · sheet {page} of {pages}" in printed.text(sheet, page)


def test_the_scale_is_true_on_paper(sheet: Path) -> None:
    """Bar and frame, measured in pixels, against the stated scale."""
    scale = stated_scale(sheet)
    image = printed.grey(sheet, 1, DPI)
    frame = frame_of(image)
    bar = next(w for w in bar_words(sheet) if w.text == "m")
    number = next(w for w in bar_words(sheet) if w.text.isdigit() and w.text != "0")
    row = image[round((number.bottom + 2.0) / 25.4 * DPI)]
    black = [r for r in printed.runs(row) if r.first < bar.right / 25.4 * DPI + DPI * 0.1]
    line = black[-1].last - black[-1].first + 1  # the bar's own rim, half of it outside at either end
    length_mm = (black[-1].last - black[0].first + 1 - line) * 25.4 / DPI
    assert length_mm * scale / 1000 == pytest.approx(float(number.text), rel=0.005)
    html = sheet.with_suffix(".html").read_text()
    width_m, height_m = (float(v) for v in re.findall(r'data-width="([\d.]+)" data-height="([\d.]+)"', html)[0])
    assert frame.wide * 25.4 / DPI * scale / 1000 == pytest.approx(width_m, rel=0.005)
    assert frame.high * 25.4 / DPI * scale / 1000 == pytest.approx(height_m, rel=0.005)


def test_the_code_opens_the_field_in_a_map_app(sheet: Path, survey: FieldSurvey) -> None:
    """Read back by another library (ZXing). RFC 5870: "geo:" latitude "," longitude, WGS 84 unless said."""
    image = Image.fromarray(printed.grey(sheet, 1, 150))
    (found,) = zxingcpp.read_barcodes(image)
    assert found.text == f"geo:{survey.place.lat:.6f},{survey.place.lon:.6f}"
    assert re.fullmatch(r"geo:-?\d+\.\d{6},-?\d+\.\d{6}", found.text)
    folded = image.resize((image.width * 2 // 3, image.height * 2 // 3))  # 100 dpi: an old copier
    assert zxingcpp.read_barcodes(folded)[0].text == found.text


def test_each_pair_of_zones_stays_apart_on_a_grey_copy(survey: FieldSurvey, tmp_path: Path) -> None:
    """Seven bands, one per sign, printed, copied once (blurred, then only black and white) and measured."""
    kinds = ["any_way", "up_down", "on_foot", "keep_out", "unsurveyed", "cut_off", "no_turn"]
    sheet = pdf_of(banded(survey, kinds), tmp_path)
    image = printed.grey(sheet, 1, 300)
    frame = frame_of(image)
    html = sheet.with_suffix(".html").read_text()
    west, width = (float(v) for v in re.findall(r'data-west="([\d.]+)"[^>]*? data-width="([\d.]+)"', html)[0])
    looks = {}
    for kind, (left, right) in zip(kinds, bands(survey, len(kinds)), strict=True):
        first, last = (round(frame.left + (x - west) / width * frame.wide) for x in (left, right))
        middle = frame.top + frame.high * 11 // 20
        cut = image[middle - frame.high // 9 : middle + frame.high // 9, first + 12 : last - 12]
        looks[kind] = look(copied(cut))
    for one, other in itertools.combinations(kinds, 2):
        apart = np.abs(looks[one] - looks[other])
        assert apart.max() > 0.08, (one, other, looks[one], looks[other])
    darkest = max(kinds, key=lambda k: looks[k][0])
    assert darkest in ("keep_out", "unsurveyed")
    assert looks["any_way"][0] == min(look[0] for look in looks.values())


@pytest.mark.parametrize(
    "name",
    [
        '#panic("set") #import "@preview/x:1.0.0"',
        "*bold* _it_ $x$ `raw` <label> @ref \\ // /* ~ --- #",
        ']] #read("/etc/passwd") [[ #sys.inputs',
        "</svg></text><svg onload=x> & \"quoted\" 'half'",
        "bell\x07 and null\x00 and \ud7ff\ufffe ends",
        "lines\u2028and\u2029ends\\u003c/ --> ]]> {{ 7 * 7 }} {% raw %}",
        "\u202egnp.exe \u200b\u2028",
    ],
)
def test_a_name_is_set_as_it_stands(survey: FieldSurvey, tmp_path: Path, name: str) -> None:
    """Typst and SVG source in a name is text on the sheet, nothing else."""
    parcel = replace(survey.parcel, name=name, first_pass=name, note=name)
    ways = tuple(replace(w, name=name, note=name) for w in survey.ways_in)
    neighbours = tuple(replace(n, name=name) for n in survey.neighbours)
    sheet = pdf_of(replace(survey, parcel=parcel, ways_in=ways, neighbours=neighbours), tmp_path)
    told = printed.text(sheet)
    for part in re.findall(r"[\w@:.]{4,}", name):
        assert part in told
    assert printed.info(sheet)["Tagged"] == "yes"


def test_letters_that_no_face_has_do_not_stop_a_sheet(survey: FieldSurvey, tmp_path: Path) -> None:
    """Such a sheet is tagged like any, but does not claim PDF/UA."""
    sheet = pdf_of(replace(survey, parcel=replace(survey.parcel, name="Wiese \U0001f33e 草地")), tmp_path)
    assert "Wiese" in printed.text(sheet)
    assert printed.info(sheet)["Tagged"] == "yes"
    assert b"pdfuaid:part" not in sheet.read_bytes()


def test_a_field_without_zones_says_so_on_paper(tmp_path: Path) -> None:
    survey = made_survey(CTX)
    survey = replace(survey, driving=replace(survey.driving, drives=(), why_none="Cells of 5 m are too coarse."))
    told = printed.text(pdf_of(survey, tmp_path))
    assert "No driving zones: Cells of 5 m are too coarse." in told
    assert "Do not take them for a verdict" in told


def test_a_page_of_another_kind_is_refused() -> None:
    place = Place(10.3, 46.9, (0.0,) * 6, (0.0,) * 6, 0.0)
    with pytest.raises(OutputError, match="no 'definitions'"):
        field_pdfs({"fields/x.html": b"<html><main><h1>x</h1></main></html>"}, "x", place, CTX)


class Frame:
    """The map's frame in pixels."""

    def __init__(self, left: int, top: int, right: int, bottom: int) -> None:
        self.left, self.top = left, top
        self.wide, self.high = right - left, bottom - top


def frame_of(image: np.ndarray) -> Frame:
    """The map's frame: the first long black line that comes twice with the same ends, and its mate."""
    long: list[tuple[int, printed.Run]] = []
    for y in np.flatnonzero((image < 128).mean(axis=1) > 0.3).tolist():
        found = [r for r in printed.runs(image[y]) if r.last - r.first > image.shape[1] * 0.3]
        if len(found) == 1 and not (long and y - long[-1][0] == 1):
            long.append((y, found[0]))
    for (top, a), (bottom, b) in itertools.combinations(long, 2):
        same = abs(a.first - b.first) < 4 and abs(a.last - b.last) < 4
        sides = [image[top:bottom, max(0, x - 3) : x + 4].min(axis=1) for x in (a.first, a.last)]
        if same and bottom - top > 0.1 * image.shape[0] and all((s < 128).mean() > 0.98 for s in sides):
            return Frame(a.first, top, a.last, bottom)
    raise AssertionError("no frame found")


def stated_scale(sheet: Path) -> int:
    found = re.search(r"1 : (\d+(?:\s\d{3})*) on A4", printed.text(sheet, 1))
    assert found is not None
    return int(re.sub(r"\s", "", found[1]))


def bar_words(sheet: Path) -> list[printed.Word]:
    """The words above the scale bar: "0", the length, "m"."""
    found = printed.words(sheet, 1)
    for nought in (w for w in found if w.text == "0"):
        line = [w for w in found if abs(w.top - nought.top) < 0.3 and w.left >= nought.left]
        line.sort(key=lambda w: w.left)
        if len(line) > 2 and line[1].text.isdigit() and line[2].text == "m":
            return line[:3]
    raise AssertionError("no scale bar found")


def bands(survey: FieldSurvey, count: int) -> list[tuple[float, float]]:
    """Strips from west to east across the middle of the field, eastings."""
    west, _, east, _ = survey.parcel.shape.bounds
    edges = np.linspace(west + 0.06 * (east - west), east - 0.06 * (east - west), count + 1)
    return list(itertools.pairwise(float(e) for e in edges))


def banded(survey: FieldSurvey, kinds: list[str]) -> FieldSurvey:
    """The survey with every drive's verdict the same: a strip for each sign, nothing drawn over them."""
    xs = survey.terrain.grid.xs
    zone = np.zeros(survey.terrain.grid.shape, dtype=np.uint8)
    cut, stuck = np.zeros_like(zone), np.zeros_like(zone)
    names = {"any_way": 0, "up_down": 1, "on_foot": 2, "keep_out": 3, "unsurveyed": 4, "cut_off": 0, "no_turn": 1}
    for kind, (left, right) in zip(kinds, bands(survey, len(kinds)), strict=True):
        inside = (xs >= left) & (xs < right)
        zone[:, inside] = Zone(names[kind])
        cut[:, inside] = kind == "cut_off"
        stuck[:, inside] = kind == "no_turn"
    reason = np.where(zone > Zone.UP_DOWN, Reason.SIDE, Reason.WITHIN).astype(np.uint8)
    drives = tuple(replace(d, zone=zone, reason=reason, cut_off=cut, no_turn=stuck) for d in survey.driving.drives)
    driving = replace(survey.driving, drives=drives, hazards=(), drop_lines=(), unknown_edges=())
    return replace(survey, driving=driving, neighbours=(), ways_in=())


def copied(image: np.ndarray) -> np.ndarray:
    """Once through an office copier: smeared by a third of a millimetre, then black or white. 1 is black."""
    k = 3
    soft = np.zeros(image.shape)
    for i, j in itertools.product(range(-k, k + 1), repeat=2):
        soft += np.roll(np.roll(255.0 - image, i, 0), j, 1)
    black: np.ndarray = (soft / (2 * k + 1) ** 2 > 90).astype(float)
    return black


def look(ink: np.ndarray) -> np.ndarray:
    """How a sign looks: its share of black, and how often black and white change across, down and along both
    diagonals (per pixel, times ten)."""
    steps = (
        np.abs(ink[:, 1:] - ink[:, :-1]).mean(),
        np.abs(ink[1:] - ink[:-1]).mean(),
        np.abs(ink[1:, 1:] - ink[:-1, :-1]).mean(),
        np.abs(ink[1:, :-1] - ink[:-1, 1:]).mean(),
    )
    return np.array([ink.mean(), *(10 * s for s in steps)])


def test_each_language_has_its_sheet(survey: FieldSurvey, tmp_path: Path) -> None:
    """The first at the usual address, a draft says so on paper too, and screen readers are told the language."""
    ctx = replace(CTX, languages=("en", "de"))
    pages = field_sheet(survey, ctx)
    made = field_pdfs(pages, survey.parcel.slug, survey.place, ctx)
    assert list(made) == ["print/fields/hintere-leitn.pdf", "print/fields/hintere-leitn.de.pdf"]
    (tmp_path / "de.pdf").write_bytes(made["print/fields/hintere-leitn.de.pdf"])
    with speaking(speakers(("en", "de"))[1]):
        wanted = [tr("Keep off"), tr("Before you rely on this"), tr("hand work, no driving")]
    told = printed.text(tmp_path / "de.pdf")
    assert all(words in told for words in wanted)
    if language("de").draft:
        said = read_page(pages["fields/hintere-leitn.de.html"]).find("p", "draft")
        assert said is not None
        assert said.text()[:40] in told
    with pikepdf.open(tmp_path / "de.pdf") as pdf:
        assert str(pdf.Root.Lang) == "de"


def test_what_needs_a_device_stays_off_paper_and_nothing_else_does(sheet: Path) -> None:
    """Buttons stand in the list of markings too: they go, the list stays; without the list there is no sheet."""
    html = sheet.with_suffix(".html").read_bytes()
    page = read_page(html)
    told = "".join(printed.text(sheet).split())
    pressed = [b.text() for b in page.every("button") if "data-do" in b.attributes and len(b.text()) > 4]
    assert len(pressed) > 5
    assert [words for words in pressed if "".join(words.split()) in told] == []
    assert "markedonthisdevice" not in told
    listed = page.find("section", "keep-off")
    assert listed is not None
    notes = [q.text() for q in listed.every("q")]
    assert notes
    assert all("".join(note.split()) in told for note in notes)
    without = html.replace(b'<section class="keep-off"', b'<section class="moved-off"')
    with pytest.raises(OutputError, match="no 'keep-off'"):
        field_pdfs({"fields/x.html": without}, "x", Place(10.3, 46.9, (0.0,) * 6, (0.0,) * 6, 0.0), CTX)
