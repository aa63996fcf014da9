"""What paper says beyond the pages' own words. `{x}` is filled in when a sheet is set."""

from __future__ import annotations

from atlas.languages import tr
from atlas.words import N_

MAP = N_("Map {number}, {issued}")
SHEET_COUNT = N_("sheet {n} of {all}")
IN_AN_EMERGENCY = N_("If something happens")
CODE_WORDS = N_("The code opens this field in a phone's map app. It needs no internet to be read, the app may.")
CODE_ALT = N_("Code to scan: {uri}")
PAGE_OF = N_("in the atlas of map {number}, {issued}: page {n} of {all}")
PAGE = N_("Page")
SHEET_OF_MAP = N_("Sheet of map")
OVERVIEW = N_("All fields")
FARMS = N_("All farms")
MACHINES = N_("Machine cards")
BRIEFING = N_("Briefing record")
ATLAS = N_("Driving atlas: {farm}, map {number}")


def said(text: str, **values: object) -> str:
    """A phrase in the language being spoken, filled in."""
    return tr(text).format(**values)
