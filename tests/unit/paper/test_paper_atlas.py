"""The bound atlas: every field in it, true to scale, numbered, tagged, made anew only where something changed."""

from __future__ import annotations

import itertools
import json
import re
import shutil
import subprocess
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pikepdf
import printed
import pytest
import typst
from conftest import MAY_3
from PIL import Image

from atlas import engine
from atlas.errors import AtlasError
from atlas.farm import change
from atlas.farm.opening import open_farm
from atlas.paper import typesetting
from atlas.settings import Settings, parse

DPI = 400
MAY_4 = MAY_3 + timedelta(days=1)
FOOT = re.compile(r"in the atlas of map (\d+), (\d+ May 2026): page (\d+) of (\d+)")


@pytest.fixture(scope="module")
def bound(small_atlas: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The bound PDF, copied: what is rendered from it goes beside it."""
    return Path(shutil.copy(small_atlas / "print" / "atlas.pdf", tmp_path_factory.mktemp("bound")))


def fields_of(atlas: Path) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = json.loads((atlas / "data" / "atlas.json").read_bytes())["fields"]
    return found


def pages_of(pdf: Path) -> int:
    return int(printed.info(pdf)["Pages"])


def test_every_field_is_in_it_and_in_the_bookmarks(small_atlas: Path, bound: Path) -> None:
    names = [f["name"] for f in fields_of(small_atlas)]
    with pikepdf.open(bound) as pdf, pdf.open_outline() as outline:
        titles = [item.title for item in outline.root]
        targets = [item.destination for item in outline.root]
        assert all(isinstance(t, pikepdf.Array) for t in targets)
        places = [pdf.pages.index(pikepdf.Page(t[0])) + 1 for t in targets if isinstance(t, pikepdf.Array)]
    assert titles == ["All fields", *names, "Machine cards", "Briefing record"]
    for title, page in zip(titles, places, strict=True):
        assert printed.text(bound, page).startswith(title)
    listed = printed.text(bound, 2)
    for name, page in zip(names, places[1:], strict=False):
        assert re.search(rf"{name} .*?\b1 {page}\b", listed), name


def test_each_page_says_the_map_and_its_number(bound: Path) -> None:
    all_pages = pages_of(bound)
    for page in range(1, all_pages + 1):
        assert FOOT.findall(printed.text(bound, page)) == [("1", "3 May 2026", str(page), str(all_pages))]


def test_tagged_from_end_to_end(small_atlas: Path, bound: Path) -> None:
    """One structure over all sheets: each page's tags lead to its own part of it, and identifiers are unique."""
    assert printed.info(bound)["Tagged"] == "yes"
    told = printed.structure(bound)
    assert told.splitlines()[0] == "Document"
    heads = re.findall(r'H1 "([^"]*)"', told)
    assert heads == [
        "All fields",
        *(f["name"] for f in fields_of(small_atlas)),
        "Machine cards",
        "Briefing record",
    ]
    with pikepdf.open(bound) as pdf:
        assert pdf.check_pdf_syntax() == []
        tree = pdf.Root.StructTreeRoot
        keys = [int(k) for k in list(tree.ParentTree.Nums)[::2]]
        assert keys == sorted(set(keys))
        assert [int(p.StructParents) for p in pdf.pages] == keys
        for page, elements in zip(pdf.pages, list(tree.ParentTree.Nums)[1::2], strict=True):
            assert all(e.Pg.objgen == page.obj.objgen for e in elements if "/Pg" in e)
        ids = [bytes(k) for k in list(tree.IDTree.Names)[::2]]
        assert ids == sorted(set(ids))
        assert len(ids) > 20
        assert b"<pdfuaid:part>1</pdfuaid:part>" in pdf.Root.Metadata.read_bytes()
        for page in pdf.pages:  # the numbers of pages are not read out
            assert re.search(
                rb"/Artifact <</Type /Pagination[^\n]*BDC\nq\n/Stamp\d+ Do\nQ\nEMC", page_content(page)
            )
        figures = [o for o in pdf.objects if isinstance(o, pikepdf.Dictionary) and o.get("/S") == "/Figure"]
        assert figures
        assert all(str(f.get("/Alt", "")) for f in figures)


def test_faces_are_inside(bound: Path) -> None:
    faces = [f for f in printed.fonts(bound) if f[0] != "[none]"]
    assert len(faces) > 4
    assert all(f[1:] == ["yes", "yes", "yes"] for f in faces), faces


def test_the_overview_is_true_to_its_scale(bound: Path) -> None:
    told = printed.text(bound, 1)
    scale = int(re.sub(r"\s", "", re.search(r"1:(\d+(?:\s\d{3})*)", told)[1]))  # type: ignore[index]
    image = printed.grey(bound, 1, DPI)
    nought, length = next(
        (a, b)
        for a, b in itertools.pairwise(sorted(printed.words(bound, 1), key=lambda w: (round(w.top), w.left)))
        if a.text == "0" and b.text.isdigit()
    )
    left, right = (round(x / 25.4 * DPI) for x in (nought.left - 1, length.right + 2))
    row = image[round((nought.bottom + 0.9) / 25.4 * DPI), left:right]
    black = printed.runs(row)
    rim = round(0.15 / 25.4 * DPI)  # of the bar's outline, half of it outside at either end
    on_paper = (black[-1].last - black[0].first + 1 - rim) * 25.4 / DPI
    assert on_paper * scale / 1000 == pytest.approx(float(length.text), rel=0.005)


def test_a_grey_copy_keeps_its_words(bound: Path) -> None:
    """No sheet relies on colour: a page in grey differs from the page in colour by nothing."""
    for page in (1, 3):
        out = bound.with_name(f"colour-{page}")
        pages = ["-f", str(page), "-l", str(page), "-singlefile"]
        command = ["pdftoppm", "-r", "100", "-png", *pages, str(bound), str(out)]
        subprocess.run(command, check=True)
        colour = np.asarray(Image.open(out.with_suffix(".png")).convert("RGB")).astype(int)
        assert np.ptp(colour, axis=2).max() == 0


def test_the_briefing_record_has_a_line_for_each_field(small_atlas: Path, bound: Path) -> None:
    told = printed.text(bound)
    record = told[told.rindex("Nobody drives a field alone") :]
    for words in ("New worker, name", "Show me", "Date", "Worker", "Lead", "Signatures"):
        assert words in record
    assert all(f["name"] in record for f in fields_of(small_atlas))


def test_machine_cards_carry_their_limits(bound: Path) -> None:
    told = printed.text(bound)
    assert told.count("Limits for a new driver") == 5
    assert "Example figures. Replace them" in told


def test_after_a_mark_one_sheet_is_set_anew(
    small_farm_file: Path, small_atlas: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    farm = Path(shutil.copy(small_farm_file, tmp_path / "farm.gpkg"))
    out = Path(shutil.copytree(small_atlas, tmp_path / "build"))
    before = {p.name: p.read_bytes() for p in (out / "print" / "fields").iterdir()}
    spot = open_farm(farm, Settings(), MAY_4).parcels[3].shape.representative_point()
    change.mark(farm, "wet_spot", spot, severity=3, seen_at=MAY_4)
    set_anew = []
    whole = typesetting._compiled

    def noted(template: str, *rest: Any, **named: Any) -> bytes:
        set_anew.append(template)
        return whole(template, *rest, **named)

    monkeypatch.setattr(typesetting, "_compiled", noted)
    engine.build(farm, out, now=MAY_4, jobs=1)
    assert sorted(set_anew) == ["briefing.typ", "field.typ", "machines.typ", "overview.typ", "stamps.typ"]
    after = {p.name: p.read_bytes() for p in (out / "print" / "fields").iterdir()}
    assert {name for name in after if after[name] != before[name]} == {"far-corner.pdf"}
    told = printed.text(out / "print" / "atlas.pdf")
    assert "Far corner · Map 2, 4 May 2026 · sheet 1 of" in told
    assert "Lower meadow · Map 1, 3 May 2026 · sheet 1 of" in told
    assert "in the atlas of map 2, 4 May 2026: page 3 of" in told


def test_a_page_number_is_laid_over_at_the_foot_and_hides_nothing(bound: Path) -> None:
    for page in (1, 3, pages_of(bound)):
        found = printed.words(bound, page)
        stamp = [w for w in found if w.text == "page" and w.top > 190]
        assert len(stamp) == 1
        others = [w for w in found if abs(w.top - stamp[0].top) < 3 and w.right < stamp[0].left - 30]
        assert others, "the sheet's own foot stands on the left"


def test_without_the_setting_there_is_no_pdf_and_no_link(small_farm_file: Path, tmp_path: Path) -> None:
    settings = parse({"print": {"pdf": False}})
    engine.build(small_farm_file, tmp_path / "build", settings=settings, now=MAY_3, jobs=1)
    assert not (tmp_path / "build" / "print").exists()
    for page in (tmp_path / "build").rglob("*.html"):
        assert ".pdf" not in page.read_text()


@pytest.mark.parametrize("template", ["field.typ", "stamps.typ"])
def test_a_pdf_that_cannot_be_set_leaves_the_old_atlas(
    small_farm_file: Path, small_atlas: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, template: str
) -> None:
    farm = Path(shutil.copy(small_farm_file, tmp_path / "farm.gpkg"))
    out = Path(shutil.copytree(small_atlas, tmp_path / "build"))
    before = snapshot(out)
    spot = open_farm(farm, Settings(), MAY_4).parcels[3].shape.representative_point()
    change.mark(farm, "no_go", spot, seen_at=MAY_4)
    monkeypatch.setattr(typesetting, "_compiled", refusing(typesetting._compiled, template))
    with pytest.raises(AtlasError, match=r"the PDF cannot be set .*pdf = false"):
        engine.build(farm, out, now=MAY_4, jobs=1, strict=True)  # else a field's own costs that field only
    assert snapshot(out) == before


def page_content(page: pikepdf.Page) -> bytes:
    parts = page.obj.Contents
    streams = list(parts) if isinstance(parts, pikepdf.Array) else [parts]
    return b"\n".join(s.read_bytes() for s in streams)


def refusing(whole: Callable[..., bytes], template: str) -> Callable[..., bytes]:
    def refuse(name: str, *rest: Any, **named: Any) -> bytes:
        if name == template:
            raise typst.TypstError("made for a test", "made for a test")
        return whole(name, *rest, **named)

    return refuse


def snapshot(atlas: Path) -> dict[str, bytes]:
    return {str(p.relative_to(atlas)): p.read_bytes() for p in sorted(atlas.rglob("*")) if p.is_file()}


def test_dates_of_the_pdf_are_the_stamp(bound: Path) -> None:
    assert datetime(2026, 5, 3, 6, tzinfo=UTC) == MAY_3
    assert printed.info(bound)["CreationDate"].startswith("Sun May  3 06:00:00 2026")
