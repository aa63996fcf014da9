"""print/atlas.pdf: the overview to scale, a sheet per field, machine cards and the briefing record in one file."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from atlas.languages import speaker, speakers, speaking, spoken
from atlas.pages.context import PageContext
from atlas.pages.render import day
from atlas.paper.binding import Part, bind, part, with_own_ids
from atlas.paper.field import field_pdf_path
from atlas.paper.front_and_end import BoundSheet, briefing_pdf, machines_pdf, overview_pdf
from atlas.paper.phrases import ATLAS, BRIEFING, MACHINES, OVERVIEW, PAGE_OF, said
from atlas.paper.pictures import fit
from atlas.paper.typesetting import typeset

ATLAS_PDF = "print/atlas.pdf"
MM_PER_POINT = 25.4 / 72


@dataclass(frozen=True)
class FieldSheet:
    """A field in the overview's order, and the map its sheet last changed in."""

    slug: str
    name: str
    map_number: int


def atlas_pdf(
    sheets: Sequence[FieldSheet],
    read: Callable[[str], bytes],
    pages: Mapping[str, bytes],
    ctx: PageContext,
) -> dict[str, bytes]:
    """The bound atlas in each language. `read` gives a field's own PDF by its path; `pages` holds the overview and
    machine cards.

    The same sheets, pages and context give the same bytes.
    """
    made = {}
    for who in speakers(ctx.languages):
        with speaking(who):
            made[who.page(ATLAS_PDF)] = _bound(sheets, read, pages, ctx)
    return made


def _bound(
    sheets: Sequence[FieldSheet], read: Callable[[str], bytes], pages: Mapping[str, bytes], ctx: PageContext
) -> bytes:
    page = speaker().page
    fields = [part(fit(s.name), read(page(field_pdf_path(s.slug)))) for s in sheets]
    bound = [
        BoundSheet(i, fit(s.name), s.map_number, p.pages)
        for i, (s, p) in enumerate(zip(sheets, fields, strict=True), 1)
    ]
    parts = [
        part(said(OVERVIEW), with_own_ids(overview_pdf(pages[page("index.html")], bound, ctx), "-overview")),
        *fields,
        part(said(MACHINES), with_own_ids(machines_pdf(pages[page("machines.html")], ctx), "-machines")),
        part(said(BRIEFING), with_own_ids(briefing_pdf(bound, ctx), "-briefing")),
    ]
    title = said(ATLAS, farm=fit(ctx.farm_name), number=ctx.number)
    content = bind(parts, _stamps(parts, ctx), title, spoken().code, ctx.issued_at)
    for one in parts:
        one.pdf.close()
    return content


def _stamps(parts: Sequence[Part], ctx: PageContext) -> bytes:
    """A page of the right size for every page, with nothing on it but the map's number and the page's."""
    sizes = [[float(v) for v in page.mediabox] for one in parts for page in one.pdf.pages]
    pages = []
    for n, (left, low, right, top) in enumerate(sizes, 1):
        words = said(PAGE_OF, number=ctx.number, issued=day(ctx.issued_at), n=n, all=len(sizes))
        sideways = right - left > top - low
        pages.append(
            {
                "width": right - left,
                "height": top - low,
                "words": words,
                "right": 8 if sideways else 13,
                "up": 7 if sideways else 8.5,
            }
        )
    return typeset("stamps.typ", {"pages": pages}, ctx.issued_at, tagged=False)
