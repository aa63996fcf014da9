"""Compiled templates are kept where they can be, and nothing depends on it."""

from __future__ import annotations

from pathlib import Path

import pytest
from jinja2 import DictLoader, Environment

from atlas.pages.template_cache import TemplateCache

PAGE = "one {{ 1 + 1 }} three"


def environment(folder: Path, text: str = PAGE, made_by: Path = Path(__file__)) -> Environment:
    return Environment(
        loader=DictLoader({"page.html": text}), autoescape=True, bytecode_cache=TemplateCache(folder, made_by)
    )


def test_a_template_is_compiled_once_for_all_processes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert environment(tmp_path / "kept").get_template("page.html").render() == "one 2 three"
    assert len(list((tmp_path / "kept").glob("template-*.cache"))) == 1
    monkeypatch.setattr(Environment, "compile", lambda *_: pytest.fail("compiled again"))
    assert environment(tmp_path / "kept").get_template("page.html").render() == "one 2 three"


def test_another_source_or_another_way_of_setting_up_is_compiled_anew(tmp_path: Path) -> None:
    assert environment(tmp_path).get_template("page.html").render() == "one 2 three"
    assert environment(tmp_path, "four").get_template("page.html").render() == "four"
    (tmp_path / "other.py").write_text("another way")
    assert environment(tmp_path, made_by=tmp_path / "other.py").get_template("page.html").render() == "one 2 three"
    assert len(list(tmp_path.glob("template-*.cache"))) == 2


def test_where_nothing_can_be_kept_pages_are_made_all_the_same(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("no folder")
    for folder in (tmp_path / "file", tmp_path / "not" / "there"):
        assert environment(folder).get_template("page.html").render() == "one 2 three"


def test_a_spoilt_file_is_made_anew(tmp_path: Path) -> None:
    environment(tmp_path).get_template("page.html")
    (kept,) = tmp_path.glob("template-*.cache")
    kept.write_bytes(kept.read_bytes()[:40])
    assert environment(tmp_path).get_template("page.html").render() == "one 2 three"
