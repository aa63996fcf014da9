"""Typst, with our own faces and nothing of the machine's: the same input and stamp give the same bytes."""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import UTC, datetime
from functools import cache
from typing import Any

import typst

from atlas.errors import OutputError
from atlas.languages import templates_folder

STANDARD = "ua-1"  # PDF/UA-1, ISO 14289-1: a document a screen reader can read


@cache
def _faces() -> typst.Fonts:
    return typst.Fonts(include_system_fonts=False, font_paths=[str(templates_folder() / "print" / "fonts")])


def typeset(template: str, data: Mapping[str, Any], moment: datetime, *, tagged: bool = True) -> bytes:
    """The PDF of a template in templates/print, with `data` as its only input.

    A character that none of our faces has would break PDF/UA; such a document is set all the same, tagged, but
    without the claim. Raises OutputError where the typesetter refuses.
    """
    given = {"data": json.dumps(data, ensure_ascii=False)}
    try:
        if not tagged:
            return _compiled(template, given, moment, [], tags=False)
        try:
            return _compiled(template, given, moment, [STANDARD], tags=True)
        except typst.TypstError as e:
            if "PDF/UA" not in str(e):
                raise
        return _compiled(template, given, moment, [], tags=True)
    except typst.TypstError as e:
        hint = "set 'pdf = false' under [print] to build without it"
        raise OutputError(f"print/{template}: the PDF cannot be set ({e}); {hint}.") from e


def _compiled(
    template: str, given: dict[str, str], moment: datetime, standards: list[Any], *, tags: bool
) -> bytes:
    folder = templates_folder() / "print"
    out = typst.compile(
        str(folder / template),
        root=str(folder),
        font_paths=_faces(),
        ignore_system_fonts=True,
        format="pdf",
        sys_inputs=given,
        pdf_standards=standards,
        timestamp=int(moment.astimezone(UTC).timestamp()),
        pdf_tags=tags,
    )
    assert isinstance(out, bytes)  # one document, kept in memory
    return out
