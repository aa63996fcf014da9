"""print/atlas.pdf: the overview to scale, a sheet per field, machine cards and the briefing record in one file."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace

from atlas.languages import speaker, speaking, spoken
from atlas.pages.context import PageContext
from atlas.pages.render import day
from atlas.paper.binding import Part, bind, part
from atlas.paper.field import field_pdf_path
from atlas.paper.front_and_end import BoundSheet, briefing_pdf, farms_pdf, machines_pdf, overview_pdf
from atlas.paper.phrases import ATLAS, BRIEFING, FARMS, MACHINES, OVERVIEW, PAGE_OF, said
from atlas.paper.pictures import fit
from atlas.paper.sheets import FieldSheet
from atlas.paper.typesetting import typeset

MACHINES_PAGE = "machines.html"
Read = Callable[[str], bytes]


def atlas_pdfs(sheets: Sequence[FieldSheet], read: Read, ctx: PageContext) -> Iterator[tuple[str, bytes]]:
    """The bound atlas, or that of the group `ctx` names, in each language, by path.

    `read` gives a file of the atlas by its path: fields' own PDFs, the overview's page, the machine cards.
    The same sheets, files and context give the same bytes.
    """
    for who in ctx.speakers:
        with speaking(who):
            own = replace(ctx, farm_name=ctx.home.name or ctx.farm_name)
            yield who.page(ctx.home.pdf), _whole(sheets, read, own)


def _whole(sheets: Sequence[FieldSheet], read: Read, ctx: PageContext) -> bytes:
    page = speaker().page
    fields = [_sheet(s, read) for s in sheets]
    bound = [
        BoundSheet(number, fit(s.name), s.map_number, own.pages)
        for number, (s, own) in enumerate(zip(sheets, fields, strict=True), 1)
    ]
    parts = [
        part(said(OVERVIEW), overview_pdf(read(page(ctx.home.overview)), bound, ctx), "-overview"),
        *fields,
        part(said(MACHINES), machines_pdf(read(page(MACHINES_PAGE)), ctx), "-machines"),
        part(said(BRIEFING), briefing_pdf(bound, ctx), "-briefing"),
    ]
    return _bound(parts, said(ATLAS, farm=fit(ctx.farm_name), number=ctx.number), ctx)


def farms_pdfs(read: Read, ctx: PageContext) -> Iterator[tuple[str, bytes]]:
    """print/atlas.pdf where each group of fields has a PDF of its own: which those are, and the machine cards."""
    for who in ctx.speakers:
        with speaking(who):
            parts = [
                part(said(FARMS), farms_pdf(read(who.page(ctx.home.overview)), ctx), "-farms"),
                part(said(MACHINES), machines_pdf(read(who.page(MACHINES_PAGE)), ctx), "-machines"),
            ]
            title = said(ATLAS, farm=fit(ctx.farm_name), number=ctx.number)
            yield who.page(ctx.home.pdf), _bound(parts, title, ctx)


def _sheet(sheet: FieldSheet, read: Read) -> Part:
    return part(fit(sheet.name), read(speaker().page(field_pdf_path(sheet.slug))))


def _bound(parts: Sequence[Part], title: str, ctx: PageContext) -> bytes:
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
