"""Every place where a farm file's text goes out, file by file: it stays text, and a new place is noticed."""

from __future__ import annotations

import json
import re
import sqlite3
import subprocess
import zipfile
from collections.abc import Callable
from contextlib import closing
from html.parser import HTMLParser
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as ET

import hostile_farm
import pikepdf
import pytest
from hostile_farm import SEEN

from atlas.editions.sharing import share
from atlas.pages.assets import asset_files
from atlas.pages.render import POLICY

ROOT = Path(__file__).parents[2]
NAME = re.compile(r"[a-z0-9][a-z0-9-]*(\.[a-z]+)+")
FOUND = re.compile(r"window\.fieldAtlas\.found\((?P<data>.*)\);\n", re.DOTALL)
# What a page may point to beside its own atlas.
OUTSIDE = re.compile(r"^\s*(?!(geo|tel):|data:image/(png|jpeg|webp);base64,)([a-z][a-z0-9+.-]*:|//)", re.I)
ADDRESSES = ("href", "src", "action", "formaction", "data", "poster", "srcset", "xlink:href", "background")


@pytest.fixture(scope="module")
def hostile(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return hostile_farm.atlas(tmp_path_factory.mktemp("hostile"))


@pytest.fixture(scope="module")
def handed_on(hostile: Path) -> Path:
    """The single files and the zip of the hostile atlas."""
    share(hostile, hostile.parent / "stick")
    return hostile.parent / "stick"


class _Page(HTMLParser):
    """What of a page a browser would run, fetch or follow, and is not the page's own."""

    def __init__(self, single: bool) -> None:
        super().__init__(convert_charrefs=True)
        self.single, self.wrong, self.text, self.within = single, list[str](), "", ""
        self.policies: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        told = {key: value or "" for key, value in attrs}
        self.within = tag
        if tag in ("iframe", "object", "embed", "base", "frame", "applet", "foreignobject"):
            self.wrong.append(f"<{tag}>")
        if tag in ("script", "style") and not self.single and "src" not in told:
            self.wrong.append(f"<{tag}> with its text inside")
        if told.get("http-equiv", "").lower() == "content-security-policy":
            self.policies.append(told["content"])
        elif "http-equiv" in told:
            self.wrong.append(f"<meta http-equiv={told['http-equiv']}>")
        self.wrong += [f"{tag}[{key}]" for key in told if key.startswith("on") or key in ("style", "srcdoc")]
        self.wrong += [f"{tag}[{k}={told[k][:40]}]" for k in ADDRESSES if k in told and OUTSIDE.match(told[k])]

    def handle_data(self, data: str) -> None:
        if self.within not in ("script", "style"):
            self.text += data

    def handle_decl(self, decl: str) -> None:
        if decl.lower() != "doctype html":
            self.wrong.append(f"<!{decl}>")


def strange(page: str, single: bool = False) -> list[str]:
    """What a page holds that none of ours does."""
    parser = _Page(single)
    parser.feed(page)
    parser.close()
    if len(parser.policies) != 1 or (not single and parser.policies != [POLICY]):
        parser.wrong.append("no policy of its own, or another")
    if "script-src 'unsafe" in "".join(parser.policies):
        parser.wrong.append("a policy that lets texts run")
    return parser.wrong


def check_page(path: Path) -> None:
    assert strange(path.read_text("utf-8")) == [], path.name


def check_script(path: Path) -> None:
    """Our own scripts byte for byte; data in ASCII, without what could end a script, and JSON but for its name;
    then what draws the map."""
    content = path.read_bytes()
    if content == asset_files().get(f"assets/{path.name}"):
        return
    assert not set(content) & set(b"<>&"), path.name
    if (found := FOUND.fullmatch(content.decode("ascii"))) is not None:  # what a search over all farms reads
        json.loads(found["data"])
        return
    data, _, drawing = content.decode("ascii").partition("window.fieldAtlas")
    for line in data.splitlines():
        name, _, value = line.partition(" = ")
        assert re.fullmatch(r"window\.FIELD_ATLAS(_[A-Z]+)?", name), path.name
        json.loads(value.rstrip(";"))
    assert "outside" not in drawing, "what draws the map holds no text of a file"


def check_style(path: Path) -> None:
    assert path.read_bytes() == asset_files()[f"assets/{path.name}"]


def check_json(path: Path) -> None:
    text = path.read_bytes().decode("ascii")
    json.loads(text)


def check_gpx(path: Path) -> None:
    content = path.read_bytes()
    assert b"<!DOCTYPE" not in content.replace(b"&lt;!DOCTYPE", b"")
    tags = {e.tag.rpartition("}")[2] for e in ET.fromstring(content).iter()}
    assert tags <= {"gpx", "wpt", "rte", "rtept", "name", "desc"}


def check_geopackage(path: Path) -> None:
    with closing(sqlite3.connect(path)) as db:
        assert db.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        names = {row[0] for row in db.execute("SELECT table_name FROM gpkg_contents")}
        assert names == {"slope_classes", "zones"}
        sources = " ".join(row[0] or "" for row in db.execute("SELECT sql FROM sqlite_master"))
        assert SEEN not in sources


def check_pdf(path: Path) -> None:
    """Nothing that acts, and nothing read from this machine; links lead to places in the file, maps and phones."""
    with pikepdf.open(path) as pdf:
        for item in pdf.objects:
            if isinstance(item, pikepdf.Dictionary):
                found = {"/JS", "/OpenAction", "/AA", "/Launch", "/EmbeddedFile", "/RichMedia"} & set(item.keys())
                assert not found, path.name
                if item.get("/S") == "/URI":
                    assert re.match(r"(geo|tel):", str(item.URI)), path.name
    told = subprocess.run(["pdftotext", str(path), "-"], capture_output=True, check=True).stdout.decode()
    assert '#read("/etc/passwd")' in "".join(told.split()), path.name
    assert "root:x:0" not in told, path.name


def check_nothing(_: Path) -> None:
    """What only the next build reads, packed, and looked over by it."""


CHECKS: dict[str, Callable[[Path], None]] = {
    ".html": check_page, ".js": check_script, ".css": check_style, ".json": check_json, ".geojson": check_json,
    ".gpx": check_gpx, ".gpkg": check_geopackage, ".pdf": check_pdf, ".z": check_nothing,
}  # fmt: skip


@pytest.mark.parametrize("farms", [False, True])
def test_every_file_of_the_atlas_holds_text_as_text(hostile: Path, farms: bool, tmp_path: Path) -> None:
    """A file of a kind that nobody looks at here fails too. `farms`: each field of another one."""
    atlas = hostile_farm.atlas(tmp_path, farms=True) if farms else hostile
    files = [p for p in sorted(atlas.rglob("*")) if p.is_file()]
    assert {p.suffix for p in files} == set(CHECKS)
    assert (atlas / "farms").is_dir() == farms
    for path in files:
        assert NAME.fullmatch(path.name), path
        CHECKS[path.suffix](path)


def test_the_text_is_there_at_all(hostile: Path, handed_on: Path) -> None:
    """Or the checks above would pass on a tame atlas."""
    for name in ("index.html", "walk.html", "day.html", "machines.html", "changes.html", "data/hazards.geojson"):
        assert SEEN in (hostile / name).read_text("utf-8"), name
    news = (hostile / "changes.html").read_text("utf-8")
    assert news.count("<q>") > 1, "notes of a storm and of markings"
    assert news.count(SEEN) > 5
    for name in ("data/atlas.json", "data/hazards.gpx", "data/walk.gpx"):
        assert (hostile / name).read_text("utf-8").count(SEEN) > 1, name
    for path in [*(hostile / "fields").iterdir(), *handed_on.glob("*.html")]:
        assert path.read_text("utf-8").count(SEEN) > 5, path.name
    with closing(sqlite3.connect(hostile / "data" / "atlas.gpkg")) as db:
        assert SEEN in db.execute("SELECT name FROM zones").fetchone()[0]


def test_no_text_of_the_farm_file_turns_the_words_beside_it(hostile: Path) -> None:
    """On a page: overriding and isolating signs; those of settings, which are the farm's own, aside."""
    raw = json.loads((hostile / "data" / "atlas.json").read_bytes())
    told = [f[key] for f in raw["fields"] for key in ("name", "use", "farm")]
    told += [h["note"] for f in raw["fields"] for h in f["hazards"]]
    assert len(told) > 6
    for text in told:
        assert SEEN in text
        assert not set(text) & set("\u202e\u2066\x1b\x9b\x07"), text


def test_nothing_was_written_beside_the_atlas(hostile: Path, handed_on: Path) -> None:
    assert sorted(p.name for p in hostile.parent.iterdir()) == ["build", "farm.gpkg", "farm.tif", "stick"]
    assert all(NAME.fullmatch(p.name) for p in handed_on.iterdir())
    assert not list(Path("/tmp").glob("outside*"))


def test_single_files_and_the_zip(handed_on: Path) -> None:
    sheets, (archive,) = sorted(handed_on.glob("*.html")), handed_on.glob("*.zip")
    assert len(sheets) == 2
    for path in sheets:
        assert strange(path.read_text("utf-8"), single=True) == [], path.name
    with zipfile.ZipFile(archive) as packed:
        tops = {name.split("/")[0] for name in packed.namelist()}
        assert len(tops) == 1
        assert all(NAME.fullmatch(Path(name).name) and ".." not in name for name in packed.namelist())


@pytest.mark.parametrize(
    "planted",
    [
        "<script>window.ran = 1</script>", "<img src=x onerror=ran()>", "<a href='javascript:ran()'>", "<iframe>",
        "<img src=//192.0.2.1/a.png>", "<meta http-equiv=refresh content=0>", "<svg onload=ran()>", "<base>",
        "<style>@import 'x'</style>", "<p style='background:url(x)'>", "<link href=http://192.0.2.1>",
    ],
)  # fmt: skip
def test_planted_markup_is_found(hostile: Path, planted: str) -> None:
    page = (hostile / "index.html").read_text("utf-8")
    assert strange(page.replace("<main", f"{planted}<main"))
    assert strange(page.replace("script-src", "script-src 'unsafe-inline'"))
    assert strange(re.sub("<meta http-equiv[^>]*>", "", page))


def test_every_text_of_the_farm_file_is_hostile(hostile: Path) -> None:
    """A text column that is new must have a row that holds it."""
    tame = []
    with closing(sqlite3.connect(hostile.parent / "farm.gpkg")) as db:
        for table, column in hostile_farm.text_columns():
            told = db.execute(f"SELECT count(*) FROM {table} WHERE instr({column}, ?)", (SEEN,)).fetchone()[0]
            if not told:
                tame.append(column)
    assert tame == ["kind"], "one of our own words, or the row is refused: the terminal's tests say it"


def test_every_text_of_the_settings_is_hostile() -> None:
    """A settings text that is new must be hostile here, or be told to name something that is there."""
    raw = hostile_farm.settings().model_dump()

    def told(table: Any, parts: list[str]) -> str:
        key, *rest = parts
        inner = next(iter(table.items())) if key == "KEY" else (key, table[key])
        return told(inner[1], rest) if rest else str(inner[1])

    texts = set(hostile_farm.settings_texts())
    assert texts >= hostile_farm.NAMES_OF_THINGS
    for name in texts - hostile_farm.NAMES_OF_THINGS:
        assert SEEN in told(raw, name.split(".")), name
    assert all(SEEN in key for key in raw["machines"])


# Where our own code makes markup from strings. Each has been read for text of a file that goes in unescaped.
MAKES_MARKUP = {
    "atlas/pages/picture.py", "atlas/pages/picture_frame.py", "atlas/pages/picture_grid.py",
    "atlas/pages/picture_ground.py", "atlas/pages/picture_marks.py", "atlas/pages/picture_zones.py",
    "atlas/pages/sheet.py", "atlas/pages/sheet_lead.py", "atlas/pages/signs.py", "atlas/pages/view_picture.py",
    "atlas/pages/view_plan.py", "atlas/pages/view_zones.py", "templates/js/paint.js", "templates/js/day-sheet.js",
}  # fmt: skip
MARKUP = re.compile(
    r"\bMarkup\(|\|\s*safe\b|innerHTML|outerHTML|insertAdjacentHTML|document\.write|createContextualFragment|"
    r"\beval\(|new Function|srcdoc|DOMParser|autoescape false|setTimeout\([\"']"
)


def test_markup_is_made_only_where_it_was_read() -> None:
    """A new place must be read for what goes in, then listed above."""
    files = [p for part in ("atlas", "templates") for p in (ROOT / part).rglob("*")]
    texts = [p for p in files if p.suffix in (".py", ".js", ".html", ".typ")]
    assert {str(p.relative_to(ROOT)) for p in texts if MARKUP.search(p.read_text("utf-8"))} == MAKES_MARKUP
