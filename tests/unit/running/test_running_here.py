"""A field that cannot be surveyed costs itself only: it is named, on the map and to whoever builds."""

from __future__ import annotations

import json
import shutil
import subprocess
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
import quick_farm
import small_farm
from click.testing import CliRunner

from atlas import engine
from atlas.cli import main
from atlas.driving.machines import Rig
from atlas.errors import AtlasError, FieldFaultError, TerrainError
from atlas.farm.farm import Farm
from atlas.farm.records import Parcel
from atlas.running import field
from atlas.settings import Settings, parse
from atlas.survey import FieldSurvey, survey_field

MAY_3 = datetime(2026, 5, 3, 6, 0, tzinfo=UTC)
SETTINGS = quick_farm.settings()


@pytest.fixture
def farm(tmp_path: Path) -> Path:
    return small_farm.write(tmp_path / "farm.gpkg", fields=3)


@pytest.fixture
def failing(monkeypatch: pytest.MonkeyPatch) -> Callable[[str, Exception], None]:
    """From now on the survey of one field raises."""

    def fail(field_id: str, error: Exception) -> None:
        def survey(farm: Farm, parcel: Parcel, settings: Settings, rig: Rig) -> FieldSurvey:
            if parcel.field_id == field_id:
                raise error
            return survey_field(farm, parcel, settings, rig)

        monkeypatch.setattr(field, "survey_field", survey)

    return fail


def build(farm: Path, out: Path, hours: int = 0, strict: bool = False) -> engine.BuildReport:
    now = MAY_3 + timedelta(hours=hours)
    return engine.build(farm, out, settings=SETTINGS, now=now, jobs=1, strict=strict)


def ids(out: Path) -> list[str]:
    return [f["field_id"] for f in json.loads((out / "data" / "atlas.json").read_bytes())["fields"]]


def test_input_that_cannot_be_used_is_told_and_the_rest_published(
    farm: Path, tmp_path: Path, failing: Callable[[str, Exception], None]
) -> None:
    out = tmp_path / "build"
    failing("F02", TerrainError("farm.gpkg, field 'F02': no heights."))
    report = build(farm, out)
    assert report.failed == ("farm.gpkg, field 'F02': no heights.",)
    assert (report.at_fault, report.fields, len(report.rewritten)) == (False, 2, 2)
    assert "2 fields without 1 that failed, 2 written anew" in report.sentence
    assert ids(out) == ["F01", "F03"]
    assert not (out / "fields" / "upper-meadow.html").exists()


def test_the_map_says_which_field_it_leaves_out(
    farm: Path, tmp_path: Path, failing: Callable[[str, Exception], None]
) -> None:
    out = tmp_path / "build"
    build(farm, out)
    assert "Not on this map" not in (out / "index.html").read_text()
    assert (out / "fields" / "upper-meadow.html").exists()
    small_farm.write(farm, fields=3, names=("Lower", "Upper meadow", "Spring bank"))
    failing("F02", ValueError("x"))
    build(farm, out, hours=1)
    assert "<strong>Not on this map: Upper meadow.</strong> Do not drive there" in (out / "index.html").read_text()
    assert not (out / "fields" / "upper-meadow.html").exists(), "its old sheet would look like a current one"
    assert "No longer in the atlas: do not drive here by an old sheet." in (out / "changes.html").read_text()


def test_what_is_new_names_a_field_that_never_was_on_a_map(
    farm: Path, tmp_path: Path, failing: Callable[[str, Exception], None]
) -> None:
    failing("F02", ValueError("x"))
    build(farm, out := tmp_path / "build")
    told = "<strong>Not on this map: Upper meadow.</strong> Do not drive there by this atlas"
    assert told in (out / "changes.html").read_text()


def test_a_fault_of_ours_in_one_field_costs_that_field_and_says_where(
    farm: Path, tmp_path: Path, failing: Callable[[str, Exception], None]
) -> None:
    failing("F02", ZeroDivisionError("division by zero"))
    report = build(farm, tmp_path / "build")
    assert report.at_fault
    assert report.failed == (
        f"{farm}, field 'F02' (Upper meadow): field-atlas failed by a fault of its own "
        "(ZeroDivisionError: division by zero); --debug shows where.",
    )
    assert "raise error" in report.traces[0]
    assert ids(tmp_path / "build") == ["F01", "F03"]


def test_strict_publishes_nothing(farm: Path, tmp_path: Path, failing: Callable[[str, Exception], None]) -> None:
    out = tmp_path / "build"
    failing("F02", TerrainError("no heights"))
    with pytest.raises(AtlasError, match=r"^no heights$") as refused:
        build(farm, out, strict=True)
    assert "raise error" in str(refused.value.__cause__)
    failing("F02", ValueError("x"))
    with pytest.raises(FieldFaultError, match=r"field 'F02' .*\(ValueError: x\)"):
        build(farm, out, strict=True)
    assert not out.exists()


def test_a_field_that_failed_is_tried_again_and_an_equal_map_is_not_issued_twice(
    farm: Path, tmp_path: Path, failing: Callable[[str, Exception], None], monkeypatch: pytest.MonkeyPatch
) -> None:
    out = tmp_path / "build"
    failing("F02", TerrainError("no heights"))
    assert build(farm, out).edition.number == 1
    again = build(farm, out, hours=1)
    assert again.unchanged
    assert again.failed == ("no heights",)
    monkeypatch.undo()
    mended = build(farm, out, hours=2)
    assert (mended.edition.number, mended.rewritten, mended.failed) == (2, ("upper-meadow",), ())
    assert ids(out) == ["F01", "F02", "F03"]
    assert build(farm, out, hours=3).unchanged


def test_paper_and_other_languages_say_so_too(
    farm: Path, tmp_path: Path, failing: Callable[[str, Exception], None]
) -> None:
    quick = SETTINGS.model_dump(mode="json", exclude_unset=True)
    languages = {"farm": {"languages": ["en", "de"]}, "print": {"pdf": True}}
    failing("F02", TerrainError("no heights"))
    out = tmp_path / "build"
    engine.build(farm, out, settings=parse({**quick, **languages}), now=MAY_3, jobs=1)
    (german,) = out.glob("index*de*.html")
    said = "<strong>Nicht auf dieser Karte: Upper meadow.</strong> Dort nicht nach diesem Atlas fahren"
    assert said in german.read_text(encoding="utf-8")
    (paper,) = (out / "print").glob("atlas.pdf")
    words = subprocess.run(["pdftotext", "-l", "2", str(paper), "-"], capture_output=True, text=True, check=True)
    assert "Not on this map: Upper meadow. Do not drive there" in " ".join(words.stdout.split())


@pytest.mark.parametrize(("error", "code"), [(TerrainError("no heights"), 0), (ValueError("odd"), 1)])
def test_the_command_names_each_and_its_exit_code_tells_whose_fault_it_was(
    farm: Path, tmp_path: Path, failing: Callable[[str, Exception], None], error: Exception, code: int
) -> None:
    shutil.copyfile(farm, tmp_path / "again.gpkg")
    failing("F02", error)
    settings = tmp_path / "atlas.toml"
    settings.write_text("[print]\npdf = false\n")
    for debug in ([], ["--debug"]):
        command = [*debug, "build", str(farm), "--out", str(tmp_path / f"build{len(debug)}"), "--jobs", "1"]
        ran = CliRunner().invoke(main, [*command, "--settings", str(settings)])
        assert ran.exit_code == code
        assert ran.stderr.count("not published: ") == 1
        assert str(error) in ran.stderr
        assert ("Traceback" in ran.stderr) == bool(debug)
        assert ids(tmp_path / f"build{len(debug)}") == ["F01", "F03"]
    strict = CliRunner().invoke(main, [*command, "--settings", str(settings), "--strict"])
    assert strict.exit_code == (code or 2)
    assert str(error) in strict.stderr
    assert "Traceback" in strict.stderr
