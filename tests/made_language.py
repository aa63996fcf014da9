"""A made language, whose every letter is one and the same: whatever Latin letters are left on a page are the
farm's own words and units, or words somebody forgot to mark for the catalogue."""

from __future__ import annotations

import gettext
import re

import pytest
from babel import Locale

from atlas import languages
from atlas.languages import Language
from atlas.pages.context import PageContext
from atlas.survey import FieldSurvey

KEPT = re.compile(r"%\(\w+\)s|%%|\{\w*\}|<[^>]*>|&\w+;")
UNITS = {
    "ha",
    "km",
    "kg",
    "cm",
    "mm",
    "min",
    "UTC",
    "EPSG",
    "GPX",
    "AM",
    "PM",
}  # a browser that knows no such language counts hours its own way


BOOKS = "Noon Engineering Analysis of Vehicular Accidents Wong Theory of Ground Vehicles nd ed"  # names of sources


class Letters(gettext.NullTranslations):
    """Every letter of every message becomes ж; what is filled in and markup stay."""

    def gettext(self, message: str) -> str:
        kept = KEPT.findall(message)
        parts = [re.sub(r"[^\W\d_]", "ж", part) for part in KEPT.split(message)]
        return parts[0] + "".join(k + p for k, p in zip(kept, parts[1:], strict=True))

    def ngettext(self, msgid1: str, msgid2: str, n: int) -> str:
        return self.gettext(msgid1 if n == 1 else msgid2)


class Strange(Language):
    """The made language itself, with German numbers and dates."""

    def install(self, patch: pytest.MonkeyPatch) -> None:
        """Make it known, until the test ends."""
        others = languages.language
        patch.setattr(languages, "language", lambda code: self if code == self.code else others(code))


STRANGE = Strange("xx", "Жж", Locale("de"), Letters(), draft=True)


def words_left(text: str, own: set[str]) -> set[str]:
    """Latin words that are neither units nor the farm's own."""
    return set(re.findall(r"[A-Za-z]{2,}", text)) - UNITS - own


def own_words(survey: FieldSurvey, ctx: PageContext) -> set[str]:
    """What the farm itself wrote, and names of things."""
    p = survey.parcel
    said = [
        p.name, p.use, p.note, p.first_pass, p.field_id, ctx.farm_name, ctx.lead_name, ctx.terrain.source,
        *(h.hazard.note for h in survey.driving.hazards), *(h.hazard.seen_by for h in survey.driving.hazards),
        *(h.place for h in survey.driving.hazards),  # made for tests, and none of the phrases for a place
        *(w.name for w in survey.ways_in), *(n.name for n in survey.neighbours),
        survey.release.released_by if survey.release else "",
        "Juni", BOOKS,
    ]  # fmt: skip
    return set(re.findall(r"[A-Za-z]{2,}", " ".join(said)))
