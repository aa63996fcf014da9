"""Handing on: one file per sheet with everything inside, one zip of the atlas, and nothing outside the target."""

from __future__ import annotations

import base64
import hashlib
import json
import os
import re
import shutil
import subprocess
import sys
import zipfile
from datetime import UTC, datetime, timedelta
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest
import quick_farm
import small_farm
from click.testing import CliRunner
from shapely.geometry import box

from atlas import engine
from atlas.cli import main
from atlas.editions.sharing import ShareReport, share
from atlas.errors import OutputError
from atlas.farm import change
from atlas.farm.opening import open_farm
from atlas.settings import Settings

MAY_3 = datetime(2026, 5, 3, 6, 0, tzinfo=UTC)


class Parts(HTMLParser):
    """Every start tag, and the text of each script and style: an independent reading of what was written."""

    def __init__(self, page: bytes) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.inside: dict[str, list[str]] = {"script": [], "style": []}
        self._open = ""
        self.feed(page.decode())

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag in self.inside:
            self._open = tag
            self.inside[tag].append("")

    def handle_endtag(self, tag: str) -> None:
        self._open = "" if tag == self._open else self._open

    def handle_data(self, data: str) -> None:
        if self._open:
            self.inside[self._open][-1] += data

    def policy(self) -> dict[str, list[str]]:
        """The content policy, by rule."""
        first = next(a for t, a in self.tags if t == "meta" and a.get("http-equiv") == "Content-Security-Policy")
        rules = [rule.split() for rule in str(first["content"]).split(";")]
        return {rule[0]: rule[1:] for rule in rules}


def digest(text: str) -> str:
    return f"'sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()}'"


@pytest.fixture
def atlas(small_atlas: Path, tmp_path: Path) -> Path:
    """A copy to be spoilt."""
    return Path(shutil.copytree(small_atlas, tmp_path / "build"))


def edited(atlas: Path, name: str, change_: Any) -> None:
    """Change one JSON file of an atlas in place, its first key staying first."""
    path = atlas / name
    raw = json.loads(path.read_bytes())
    change_(raw)
    path.unlink()
    path.write_text(json.dumps(raw))


def inside(folder: Path) -> dict[str, bytes]:
    return {str(p.relative_to(folder)): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


def test_each_sheet_is_one_file_that_asks_for_nothing(small_atlas: Path, tmp_path: Path) -> None:
    report = share(small_atlas, tmp_path / "stick")
    assert report.number == 1
    assert report.sheets == tuple(f"{slug}-map-1.html" for slug in SLUGS)
    for name in report.sheets:
        parts = Parts((tmp_path / "stick" / name).read_bytes())
        for tag, attributes in parts.tags:
            assert tag not in ("link", "iframe", "object", "embed", "base")
            assert not (tag == "script" and attributes), "a script that is not inside"
            source = attributes.get("src") or attributes.get("xlink:href")
            assert source is None or source.startswith(("data:", "#"))
            target = attributes.get("href")
            assert target is None or target.startswith(("#", "tel:", "data:")), "a link that leads nowhere"
            assert "style" not in attributes
            assert not [a for a in attributes if a.startswith("on")]
        assert len(parts.inside["script"]) > 8
        assert any("FIELD_ATLAS =" in script for script in parts.inside["script"])


SLUGS = ("lower-meadow", "upper-meadow", "spring-bank", "far-corner")


def test_only_what_is_inside_may_run(small_atlas: Path, tmp_path: Path) -> None:
    """Each script and style has its digest in the policy, and the policy allows nothing else (W3C CSP level 2)."""
    share(small_atlas, tmp_path / "stick", ["F01"])
    parts = Parts((tmp_path / "stick" / "lower-meadow-map-1.html").read_bytes())
    policy = parts.policy()
    assert policy["default-src"] == ["'none'"]
    assert set(policy["script-src"]) == {digest(text) for text in parts.inside["script"]}
    assert set(policy["style-src"]) == {digest(text) for text in parts.inside["style"]}
    assert set(policy["img-src"]) <= {"data:", "blob:"}
    assert policy["base-uri"] == policy["form-action"] == ["'none'"]
    assert set(policy) == {"default-src", "script-src", "style-src", "img-src", "base-uri", "form-action"}
    assert "unsafe" not in str(policy)


def test_it_says_which_map_it_is_and_how_to_know_a_newer_one(small_atlas: Path, tmp_path: Path) -> None:
    share(small_atlas, tmp_path / "stick", ["F01"])
    text = (tmp_path / "stick" / "lower-meadow-map-1.html").read_text()
    words = re.sub(r"<[^>]*>", "", text[text.index("<body") :])
    assert "Handed on from map 1, 3 May 2026. Before you drive ask for the newest map's number." in words
    assert "If the farm lead names a number higher than 1" in words
    assert "All fields" not in words


def test_the_zip_holds_the_atlas_and_is_the_same_each_time(small_atlas: Path, tmp_path: Path) -> None:
    report = share(small_atlas, tmp_path / "one", ["F01"])
    again = Path(shutil.copytree(small_atlas, tmp_path / "copy"))
    for path in again.rglob("*"):
        os.utime(path, (1, 1))
    (again / ".gitignore").write_text("*\n")
    share(again, tmp_path / "two", ["F02"])
    first, second = ((tmp_path / n / report.archive).read_bytes() for n in ("one", "two"))
    assert first == second
    with zipfile.ZipFile(tmp_path / "one" / report.archive) as archive:
        assert archive.testzip() is None
        members = archive.infolist()
        held = {m.filename.split("/", 1)[1]: archive.read(m) for m in members}
    assert {m.filename.split("/", 1)[0] for m in members} == {"farm-map-1"}
    assert [m.filename for m in members] == sorted((m.filename for m in members), key=lambda n: n.split("/"))
    assert {m.date_time for m in members} == {(1980, 1, 1, 0, 0, 0)}
    assert held == {n: c for n, c in inside(small_atlas).items() if not n.startswith("data/state/")}


@pytest.fixture(scope="module")
def third_map(small_farm_file: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Map 3: F02 changed in map 2, F04 in map 3, the others in map 1."""
    folder = tmp_path_factory.mktemp("third")
    farm = Path(shutil.copyfile(small_farm_file, folder / "farm.gpkg"))
    engine.build(farm, folder / "build", now=MAY_3, jobs=1)
    for day, field_id in enumerate(("F02", "F04"), start=1):
        now = MAY_3 + timedelta(days=day)
        parcel = next(p for p in open_farm(farm, Settings(), now).parcels if p.field_id == field_id)
        west, south, east, north = parcel.shape.bounds
        inner = box(west + 15, south + 15, east - 15, north - 15)  # far from the neighbours
        change.mark(farm, "slip", inner, reach_m=1.0, accuracy_m=1.0, seen_at=now)
        engine.build(farm, folder / "build", now=now, jobs=1)
    return folder / "build"


@pytest.mark.parametrize(
    ("since", "slugs"),
    [(0, set(SLUGS)), (1, {"upper-meadow", "far-corner"}), (2, {"far-corner"}), (3, set())],
)
def test_only_what_changed_since_a_map(third_map: Path, tmp_path: Path, since: int, slugs: set[str]) -> None:
    report = share(third_map, tmp_path / "stick", changed_since=since)
    assert set(report.sheets) == {f"{slug}-map-3.html" for slug in slugs}
    assert set(inside(tmp_path / "stick")) == {*report.sheets, "farm-map-3.zip"}


def test_sheets_of_earlier_maps_on_the_stick_are_named(third_map: Path, tmp_path: Path) -> None:
    """Only what has changed since: a sheet of map 1 says what the map says as long as its field is as it was."""
    stick = tmp_path / "stick"
    stick.mkdir()
    old = (
        "lower-meadow-map-1.html",
        "upper-meadow-map-1.html",
        "upper-meadow-map-2.html",
        "far-corner-map-2.de.html",
    )
    others = ("far-corner-map-9.html", "elsewhere-map-1.html", "other-map-1.zip", "letter.txt")
    for name in (*old, *others, "farm-map-2.zip"):
        (stick / name).write_text("x")
    report = share(third_map, stick, ["F01"])
    assert report.outdated == ("far-corner-map-2.de.html", "farm-map-2.zip", "upper-meadow-map-1.html")
    run = CliRunner().invoke(main, ["share", str(third_map), "--to", str(stick), "--field", "F01"])
    assert (
        run.stderr
        == f"note: {stick} still holds what is out of date: {', '.join(map(repr, report.outdated))}; "
        + ("delete it, so that nobody drives by it\n")
    )
    assert share(third_map, tmp_path / "new").notes == ()


def test_sheets_of_fields_that_are_gone_or_renamed_are_named_and_those_of_other_farms_are_not(
    tmp_path: Path,
) -> None:
    stick, out = tmp_path / "stick", tmp_path / "build"

    def handed(name: str, farm: str, names: tuple[str, ...], day: int) -> ShareReport:
        path = small_farm.write(tmp_path / "farm.gpkg", len(names), names)
        settings = quick_farm.settings()
        told = settings.farm.model_copy(update={"name": farm, "languages": ("en", "de")})
        settings = settings.model_copy(update={"farm": told})
        engine.build(path, tmp_path / name, settings=settings, now=MAY_3 + timedelta(days=day), jobs=1)
        return share(tmp_path / name, stick)

    handed("other", 'Hof "Drüben" <b>', ("Their meadow",), 0)
    first = handed(out.name, 'Hof "Hüben" <b>', ("Kept", "Renamed", "Gone"), 0)
    assert first.outdated == ()
    second = handed(out.name, 'Hof "Hüben" <b>', ("Kept", "New name"), 1)
    sheets = [f"{slug}-map-1{code}.html" for slug in ("kept", "renamed", "gone") for code in ("", ".de")]
    assert second.outdated == tuple(sorted([*sheets, "hof-hueben-b-map-1.zip"]))


def test_fields_and_since_together_and_a_field_named_twice(third_map: Path, tmp_path: Path) -> None:
    report = share(third_map, tmp_path / "stick", ["F04", "F01", "F04"], changed_since=1)
    assert report.sheets == ("far-corner-map-3.html",)


def test_a_sheet_carries_its_own_number_and_that_of_its_map(third_map: Path, tmp_path: Path) -> None:
    share(third_map, tmp_path / "stick", ["F02"])
    text = (tmp_path / "stick" / "upper-meadow-map-3.html").read_text()
    assert "Map 2, 4 May 2026" in text
    assert "Handed on from <b>map 3</b>, 5 May 2026" in text


def test_what_cannot_be_is_said(small_atlas: Path, tmp_path: Path) -> None:
    with pytest.raises(OutputError, match="map 1 has no field 'F9'; it has 'F01', 'F02', 'F03', 'F04'"):
        share(small_atlas, tmp_path / "stick", ["F01", "F9"])
    with pytest.raises(OutputError, match="is at map 1; there is no map 2 before it"):
        share(small_atlas, tmp_path / "stick", changed_since=2)
    with pytest.raises(OutputError, match="holds no atlas"):
        share(tmp_path, tmp_path / "stick")
    assert not (tmp_path / "stick").exists()


def test_a_target_inside_the_atlas_is_refused(atlas: Path) -> None:
    for to in (atlas, atlas / "stick", atlas / "fields" / ".." / "stick"):
        with pytest.raises(OutputError, match="is inside the atlas"):
            share(atlas, to)
    assert not (atlas / "stick").exists()


def test_other_files_of_the_target_stay_and_links_in_it_are_not_followed(
    small_atlas: Path, tmp_path: Path
) -> None:
    stick = tmp_path / "stick"
    stick.mkdir()
    (stick / "letter.txt").write_text("mine")
    (tmp_path / "mine.html").write_text("mine")
    (stick / "lower-meadow-map-1.html").symlink_to(tmp_path / "mine.html")
    (stick / "farm-map-1.zip").write_bytes(b"an older one")
    share(small_atlas, stick, ["F01"])
    assert (stick / "letter.txt").read_text() == "mine"
    assert (tmp_path / "mine.html").read_text() == "mine"
    assert not (stick / "lower-meadow-map-1.html").is_symlink()
    assert zipfile.is_zipfile(stick / "farm-map-1.zip")
    assert sorted(p.name for p in stick.iterdir()) == ["farm-map-1.zip", "letter.txt", "lower-meadow-map-1.html"]


SLOW = """
import sys, time
from pathlib import Path
from atlas.editions import sharing
def slow(content, sink):
    sink.write(content[:10]), sink.flush()
    print("at work", flush=True)
    time.sleep(60)
sharing._write = slow
sharing.share(Path(sys.argv[1]), Path(sys.argv[2]), ["F01"])
"""


def test_what_a_killed_process_left_half_written_is_swept_and_nothing_else(
    small_atlas: Path, tmp_path: Path
) -> None:
    stick = tmp_path / "stick"
    command = [sys.executable, "-c", SLOW, str(small_atlas), str(stick)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as at_work:
        assert at_work.stdout is not None
        assert at_work.stdout.readline() == "at work\n"
        (half,) = (p.name for p in stick.iterdir())
        assert half.endswith(".part")
        theirs = [".letter.txt.0123abcd.part", ".lower.html.part", "lower.html.0123abcd.part"]
        for name in theirs:
            (stick / name).write_text("mine")
        linked = stick / ".lower.html.0123abcd.part"
        linked.symlink_to(stick / theirs[0])
        share(small_atlas, stick, ["F01"])
        assert (stick / half).exists(), "another process is at work on it"
        at_work.kill()
    share(small_atlas, stick, ["F01"])
    left = sorted([*theirs, linked.name, "farm-map-1.zip", "lower-meadow-map-1.html"])
    assert sorted(p.name for p in stick.iterdir()) == left


def test_a_folder_in_the_way_of_a_sheet_gets_a_sentence(small_atlas: Path, tmp_path: Path) -> None:
    (tmp_path / "stick" / "lower-meadow-map-1.html").mkdir(parents=True)
    with pytest.raises(OutputError, match=r"lower-meadow-map-1\.html: cannot be written"):
        share(small_atlas, tmp_path / "stick", ["F01"])
    assert sorted(p.name for p in (tmp_path / "stick").iterdir()) == ["lower-meadow-map-1.html"]


def test_a_full_disk_leaves_the_sheet_that_was_there(
    small_atlas: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    share(small_atlas, tmp_path / "stick", ["F01"])
    before = inside(tmp_path / "stick")

    def full(_handle: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OutputError, match=r"No space left on device\); what was there stays"):
        share(small_atlas, tmp_path / "stick", ["F01"])
    assert inside(tmp_path / "stick") == before


@pytest.mark.parametrize(
    "page",
    [
        "../../outside.html", "/etc/passwd", "fields/../index.html", "fields/..", "fields/a/b.html", "",
        "fields/.a.html", "fields/a\\..\\b.html", "fields/A.html", "fields/-.html", "fields/a.html\n",
        "fields/" + "a" * 81 + ".html", "fields/con.html/x", "file:///etc/passwd", "fields/ü.html", "index.html",
    ],
)  # fmt: skip
def test_pages_with_names_that_no_atlas_has_are_refused(atlas: Path, tmp_path: Path, page: str) -> None:
    edited(atlas, "data/atlas.json", lambda raw: raw["fields"][0].update(page=page))
    with pytest.raises(OutputError, match="as a page, which no atlas has"):
        share(atlas, tmp_path / "stick")
    assert sorted(p.name for p in tmp_path.iterdir()) == ["build"]


@pytest.mark.parametrize("name", ["fields/lower-meadow.html", "fields/lower-meadow.js", "assets/sheet.js"])
def test_links_in_the_atlas_are_not_followed(atlas: Path, tmp_path: Path, name: str) -> None:
    secret = tmp_path / "secret"
    secret.write_text("secret")
    (atlas / name).unlink()
    (atlas / name).symlink_to(secret)
    with pytest.raises(OutputError, match="is a link"):
        share(atlas, tmp_path / "stick", ["F01"])
    assert not [c for c in inside(tmp_path / "stick").values() if b"secret" in c]


def test_a_linked_folder_is_not_followed(atlas: Path, tmp_path: Path) -> None:
    (atlas / "fields").rename(tmp_path / "elsewhere")
    (atlas / "fields").symlink_to(tmp_path / "elsewhere")
    with pytest.raises(OutputError, match="is a link"):
        share(atlas, tmp_path / "stick", ["F01"])


def test_a_link_anywhere_keeps_the_zip_from_being_written(atlas: Path, tmp_path: Path) -> None:
    (atlas / "data" / "more.txt").symlink_to("/etc/hostname")
    with pytest.raises(OutputError, match=r"more\.txt: is a link"):
        share(atlas, tmp_path / "stick", ["F01"])
    assert sorted(inside(tmp_path / "stick")) == ["lower-meadow-map-1.html"]


def test_a_pipe_in_place_of_a_page_does_not_hang(atlas: Path, tmp_path: Path) -> None:
    (atlas / "fields" / "lower-meadow.html").unlink()
    os.mkfifo(atlas / "fields" / "lower-meadow.html")
    with pytest.raises(OutputError, match="is no file of an atlas"):
        share(atlas, tmp_path / "stick", ["F01"])


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("../assets/sheet.js", "../../../etc/hostname", "names a file"),
        ("../assets/sheet.js", "/etc/hostname", "names a file"),
        ("../assets/sheet.js", "https://example.org/x.js", "names a file"),
        ("../assets/sheet.css", "../assets/../../farm.gpkg", "names a file"),
        ('<meta name="referrer"', '<base href="https://example.org/"><meta name="referrer"', "asks for a file"),
        ("</main>", "<iframe src=x></iframe></main>", "asks for a file"),
        ("</main>", '<img alt="" src="../assets/sheet.js"></main>', "is no picture"),
        ("<!doctype html>\n", "<!doctype html>\n<!-- -->", "is no page of an atlas"),
        ("Content-Security-Policy", "X-Nothing", "is no page of an atlas"),
    ],
)
def test_pages_that_ask_for_what_no_sheet_asks_for_are_refused(
    atlas: Path, tmp_path: Path, old: str, new: str, words: str
) -> None:
    path = atlas / "fields" / "lower-meadow.html"
    text = path.read_text()
    assert old in text
    path.write_text(text.replace(old, new, 1))
    with pytest.raises(OutputError, match=words):
        share(atlas, tmp_path / "stick", ["F01"])
    assert inside(tmp_path / "stick") == {}


def test_a_script_of_someone_elses_in_the_page_has_no_digest(atlas: Path, tmp_path: Path) -> None:
    path = atlas / "fields" / "lower-meadow.html"
    path.write_text(path.read_text().replace("</main>", "<script>alert(1)</script></main>"))
    share(atlas, tmp_path / "stick", ["F01"])
    parts = Parts((tmp_path / "stick" / "lower-meadow-map-1.html").read_bytes())
    assert "alert(1)" in parts.inside["script"]
    assert digest("alert(1)") not in parts.policy()["script-src"]


@pytest.mark.parametrize("nasty", ["</script><b>", "<!--<script>", "</SCRIPT", "a\r\nb", "\u2028 ü"])
def test_data_that_could_end_its_script_stays_inside(atlas: Path, tmp_path: Path, nasty: str) -> None:
    """Even an atlas written by another hand, whose data is not escaped as ours is."""
    path = atlas / "fields" / "lower-meadow.js"
    said = json.dumps(nasty, ensure_ascii=False)
    path.write_text(path.read_text() + f"window.nasty = {said};\n", newline="")
    share(atlas, tmp_path / "stick", ["F01"])
    parts = Parts((tmp_path / "stick" / "lower-meadow-map-1.html").read_bytes())
    mine = next(s for s in parts.inside["script"] if "window.nasty" in s)
    written = re.search(r'window\.nasty = (".*");', mine)
    assert written is not None
    assert json.loads(written[1].replace("\\x3c", "\\u003c")) == nasty
    assert digest(mine) in parts.policy()["script-src"]


@pytest.mark.parametrize(
    "spoil",
    [
        lambda raw: raw.pop("edition"),
        lambda raw: raw["edition"].update(number="x"),
        lambda raw: raw["edition"].update(number=0),
        lambda raw: raw["edition"].update(issued_at="yesterday"),
        lambda raw: raw.update(fields=7),
        lambda raw: raw["fields"].append(None),
    ],
)
def test_a_damaged_data_file_gets_a_sentence(atlas: Path, tmp_path: Path, spoil: Any) -> None:
    edited(atlas, "data/atlas.json", spoil)
    with pytest.raises(OutputError, match=r"atlas\.json: is (damaged|of another format)"):
        share(atlas, tmp_path / "stick")
    assert not (tmp_path / "stick").exists()


def test_a_cut_off_page_or_one_that_is_not_text_gets_a_sentence(atlas: Path, tmp_path: Path) -> None:
    (atlas / "fields" / "lower-meadow.html").write_bytes(b"<!doctype html>\n<html")
    with pytest.raises(OutputError, match="is no page of an atlas"):
        share(atlas, tmp_path / "stick", ["F01"])
    (atlas / "fields" / "lower-meadow.html").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(OutputError, match="is damaged"):
        share(atlas, tmp_path / "stick", ["F01"])


def test_a_build_meanwhile_gives_whole_sheets_or_a_sentence(atlas: Path, tmp_path: Path) -> None:
    """The folder is exchanged while sheets are handed on: the ones written are of one map."""
    other = Path(shutil.copytree(atlas, tmp_path / "other"))
    for page in (other / "fields").glob("*.html"):
        page.write_text(page.read_text().replace("Map 1,", "Map 2,"))

    def exchange(done: int, _total: int) -> None:
        if done == 2:
            atlas.rename(tmp_path / "aside")
            other.rename(atlas)
            shutil.rmtree(tmp_path / "aside")

    with pytest.raises(OutputError, match="cannot be read"):
        share(atlas, tmp_path / "stick", progress=exchange)
    sheets = [p.read_text() for p in (tmp_path / "stick").glob("*.html")]
    assert len(sheets) == 2
    assert all("Map 1," in text for text in sheets)


def test_the_command_prints_the_files_and_refuses_with_2(small_atlas: Path, tmp_path: Path) -> None:
    run = CliRunner().invoke(main, ["share", str(small_atlas), "--to", str(tmp_path / "s"), "--field", "F01"])
    assert run.exit_code == 0, run.output
    lines = run.stdout.splitlines()
    assert lines[0] == str(tmp_path / "s" / "lower-meadow-map-1.html")
    assert lines[-1] == f"Map 1 is in {tmp_path / 's'}: 1 sheet by itself, and the whole atlas in farm-map-1.zip."
    refused = CliRunner().invoke(main, ["share", str(tmp_path), "--to", str(tmp_path / "t")])
    assert refused.exit_code == 2
    assert refused.stderr.count("\n") == 1


def test_a_sheet_is_small_enough_for_a_messenger(small_atlas: Path, tmp_path: Path) -> None:
    report = share(small_atlas, tmp_path / "stick")
    assert max((tmp_path / "stick" / name).stat().st_size for name in report.sheets) < 500_000
