"""print/atlas.pdf: the overview to scale, a sheet per field, machine cards and the briefing record in one file."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence

from atlas.languages import speaker, speakers, speaking, spoken
from atlas.pages.context import PageContext
from atlas.pages.render import day
from atlas.paper.binding import Part, bind, part
from atlas.paper.field import field_pdf_path
from atlas.paper.front_and_end import BoundSheet, briefing_pdf, machines_pdf, overview_pdf
from atlas.paper.phrases import ATLAS, BRIEFING, MACHINES, OVERVIEW, PAGE_OF, said
from atlas.paper.pictures import fit
from atlas.paper.typesetting import typeset
from atlas.paper.volumes import FieldSheet, Volume, volumes

ATLAS_PDF = "print/atlas.pdf"


Read = Callable[[str], bytes]
Keep = Callable[[str, str], bool]


def _keep_none(_path: str, _rests_on: str) -> bool:
    return False


def atlas_pdfs(
    sheets: Sequence[FieldSheet],
    read: Read,
    pages: Mapping[str, bytes],
    ctx: PageContext,
    keep: Keep = _keep_none,
) -> Iterator[tuple[str, bytes]]:
    """The bound atlas in each language, by path; with very many fields volumes of it beside.

    `read` gives a field's own PDF by its path; `pages` holds the overview and machine cards. `keep` is asked for
    each volume, with all it rests on beside our own code, whether it was taken over from the atlas before; it is
    not bound then. The same sheets, pages and context give the same bytes.
    """
    apart = volumes(sheets)
    wanted = [v for v in apart if not keep(v.path, v.rests_on)]
    for who in speakers(ctx.languages):
        with speaking(who):
            yield who.page(ATLAS_PDF), _whole(sheets, apart, read, pages, ctx)
            for volume in wanted:
                yield who.page(volume.path), _volume(volume, read, ctx)


def _whole(
    sheets: Sequence[FieldSheet],
    apart: Sequence[Volume],
    read: Read,
    pages: Mapping[str, bytes],
    ctx: PageContext,
) -> bytes:
    page = speaker().page
    where = {n: page(v.path).removeprefix("print/") for v in apart for n, _ in v.sheets}
    fields = [] if apart else [_sheet(s, read) for s in sheets]
    lengths = [p.pages for p in fields] or [0] * len(sheets)
    bound = [
        BoundSheet(number, fit(s.name), s.map_number, pages_of, where.get(number, ""))
        for number, (s, pages_of) in enumerate(zip(sheets, lengths, strict=True), 1)
    ]
    parts = [
        part(said(OVERVIEW), overview_pdf(pages[page("index.html")], bound, ctx), "-overview"),
        *fields,
        part(said(MACHINES), machines_pdf(pages[page("machines.html")], ctx), "-machines"),
        *([] if apart else [_record(bound, ctx)]),
    ]
    return _bound(parts, said(ATLAS, farm=fit(ctx.farm_name), number=ctx.number), ctx)


def _volume(volume: Volume, read: Read, ctx: PageContext) -> bytes:
    bound = [BoundSheet(number, fit(s.name), s.map_number, 0) for number, s in volume.sheets]
    parts = [*(_sheet(s, read) for _, s in volume.sheets), _record(bound, ctx)]
    return _bound(parts, said(ATLAS, farm=fit(volume.title or ctx.farm_name), number=ctx.number), ctx)


def _sheet(sheet: FieldSheet, read: Read) -> Part:
    return part(fit(sheet.name), read(speaker().page(field_pdf_path(sheet.slug))))


def _record(bound: Sequence[BoundSheet], ctx: PageContext) -> Part:
    return part(said(BRIEFING), briefing_pdf(bound, ctx), "-briefing")


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
