"""A field's sheet on paper, from its page: the same words, the same map at the same scale, a code for a phone."""

from __future__ import annotations

import re
from collections.abc import Mapping
from html import unescape
from typing import Any

from atlas.errors import OutputError
from atlas.languages import speaking, spoken
from atlas.pages.context import PageContext
from atlas.pages.render import day
from atlas.paper.binding import with_own_ids
from atlas.paper.blocks import Block, Setting, beside
from atlas.paper.page_tree import Element, read_page
from atlas.paper.phrases import CODE_ALT, CODE_WORDS, IN_AN_EMERGENCY, MAP, SHEET_COUNT, said
from atlas.paper.pictures import fit
from atlas.paper.place_code import code, geo_uri
from atlas.paper.typesetting import typeset
from atlas.survey import Place

WIDE_MM = 90.0  # a picture wider than this stands across both columns
_STRIP_WORD = re.compile(r'<text class="strip-word"[^>]*>([^<]*)</text>')
# A sheet that lost one of these would be worse than none: it is refused then.
NEVER_WITHOUT = ("keep-off", "passes", "hand-work", "unconfirmed", "cautions")
ON_THE_SCREEN_ONLY = ("lead",)  # figures for the lead's desk; where they come from is on paper too


def field_pdf_path(slug: str) -> str:
    """Where a field's sheet lies in the first language."""
    return f"print/fields/{slug}.pdf"


def field_pdfs(pages: Mapping[str, bytes], slug: str, place: Place, ctx: PageContext) -> dict[str, bytes]:
    """ "print/fields/<slug>.pdf" in each language, made from the field's pages.

    The same pages and context give the same bytes.

    Raises OutputError where a page is not laid out as field pages are, or the typesetter refuses it.
    """
    made = {}
    for who in ctx.speakers:
        with speaking(who):
            data = field_data(read_page(pages[who.page(f"fields/{slug}.html")]), place, ctx)
            made[who.page(field_pdf_path(slug))] = with_own_ids(typeset("field.typ", data, ctx.issued_at), slug)
    return made


def field_data(page: Element, place: Place, ctx: PageContext) -> dict[str, Any]:
    """Everything the template lays out."""
    main = _part(page, "main", "")
    _part(main, "svg", "definitions")
    setting = Setting(*(e.markup for e in main.every("svg") if e.attributes.get("width") == "0"))
    name = fit(_part(page, "h1", "").text())
    number = said(MAP, number=ctx.number, issued=day(ctx.issued_at))
    first, release = _part(main, "section", "first-words"), _part(main, "div", "release")
    uri = geo_uri(place.lon, place.lat)
    sections = _sections(main, setting)
    across = [name for name, blocks in sections.items() if _is_wide(blocks)]
    # With views across the page the list of markings fills the rest of the front, across the page as well.
    in_front = ["keep-off"] if across else []
    zones, words = _words_apart(_part(_part(main, "section", "first-map"), "svg", "picture"))
    return {
        "title": f"{name} · {fit(ctx.farm_name)}",
        "lang": spoken().code,
        "name": name,
        "farm": fit(ctx.farm_name),
        "map": number,
        "foot": f"{name} · {number}",
        "count": said(SHEET_COUNT, n="{n}", all="{all}"),
        "draft": setting.blocks([d] if (d := page.find("p", "draft")) else []),
        "released": "not-released" not in release.classes,
        "release": setting.within(release),
        "choice": setting.blocks([c] if (c := first.find("p", "choice")) else []),
        "sentences": setting.within(_part(first, "div", "where-not")),
        "zones": setting.picture(zones),
        "zones-words": words,
        "legend": _legend(main, setting),
        "ring-title": said(IN_AN_EMERGENCY),
        "ring": _ring(_part(main, "section", "first-ring")),
        "code": code(uri),
        "code-words": said(CODE_WORDS),
        "code-alt": said(CODE_ALT, uri=uri),
        "wide": [beside(sections[name]) for name in (*in_front, *across)],
        "sections": [blocks for name, blocks in sections.items() if name not in (*in_front, *across)],
    }


def _part(within: Element, tag: str, name: str) -> Element:
    found = within.find(tag, name)
    if found is None:
        raise OutputError(f"print/fields: the page has no '{name or tag}'; its sheet cannot be set.")
    return found


def _sections(main: Element, setting: Setting) -> dict[str, list[Block]]:
    """The sections after the first screen by class, in the page's order; at last where the figures come from."""
    for name in NEVER_WITHOUT:
        _part(main, "section", name)
    out: dict[str, list[Block]] = {}
    for section in main.children:
        if not isinstance(section, Element) or section.tag != "section" or not section.on_paper():
            continue
        if not set(ON_THE_SCREEN_ONLY).intersection(section.classes):
            out[" ".join(section.classes)] = setting.within(section)
    lead = _part(main, "section", "lead")
    titles = [e for e in lead.children if isinstance(e, Element) and e.tag == "h3"]
    rows = [e for e in lead.children if isinstance(e, Element) and e.tag == "ul"]
    if titles and rows:
        head = {"k": "h", "level": 2, "c": setting.runs(titles[-1].children)}
        out["lead"] = [head, *setting.blocks(rows[-1:])]
    return out


def _words_apart(picture: Element) -> tuple[Element, list[str]]:
    """The map without the words beside its scale bar, and those words: a narrow map has no room for them."""
    words = [fit(unescape(w)) for w in _STRIP_WORD.findall(picture.markup)]
    return Element(picture.tag, picture.attributes, markup=_STRIP_WORD.sub("", picture.markup)), words


def _is_wide(section: list[Block]) -> bool:
    return any(b["k"] == "picture" and b["mm"] > WIDE_MM for b in section)


def _legend(main: Element, setting: Setting) -> list[dict[str, Any]]:
    legend = main.find("ul", "legend")
    out = []
    for item in (i for i in legend.every("li") if i.on_paper()) if legend is not None else ():
        swatch = _part(item, "svg", "")
        words = [e for e in item.children if e is not swatch]
        out.append({"svg": setting.runs([swatch])[0]["svg"], "c": setting.runs(words)})
    return out


def _ring(ring: Element) -> list[dict[str, str]]:
    """Whom to ring and where the field is: what it is, and the number or coordinates."""
    out = []
    for line in ring.every("p", "ring"):
        what = _part(line, "span", "ring-what").text()
        out.append({"what": fit(what), "value": fit(line.text().removeprefix(what).strip())})
    return out
