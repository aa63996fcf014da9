"""Binds sheets that were set one by one into one file: pages, the structure a screen reader follows, bookmarks,
and each page's number in the whole.

So after one mark only one sheet is set anew. A sheet's structure stays as it was set; its numbers are shifted to
its place in the whole (ISO 32000-1, 14.7.4: the parent tree is keyed by what pages say under StructParents).
"""

from __future__ import annotations

import io
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any
from xml.sax.saxutils import escape

import pikepdf
from pikepdf import Array, Dictionary, Name, Pdf, String

PAGINATION = b"\nQ\n/Artifact <</Type /Pagination /Subtype /Footer>> BDC\nq\n/%s Do\nQ\nEMC\n"


@dataclass(frozen=True)
class Part:
    """One document to bind: its bookmark, its content, and whether it claims to be fit for screen readers."""

    title: str
    pdf: Pdf

    @property
    def pages(self) -> int:
        return len(self.pdf.pages)

    @property
    def universal(self) -> bool:
        meta = self.pdf.Root.get("/Metadata")
        return meta is not None and b"<pdfuaid:part>1</pdfuaid:part>" in meta.read_bytes()


def part(title: str, content: bytes, prefix: str = "") -> Part:
    """A document to bind. `prefix` goes before each identifier of its structure, where it has none of its own."""
    pdf = Pdf.open(io.BytesIO(content))
    if prefix:
        _own_ids(pdf, prefix)
    return Part(title, pdf)


def with_own_ids(content: bytes, prefix: str) -> bytes:
    """The same document with `prefix` before each identifier of its structure, so that it can be bound."""
    with Pdf.open(io.BytesIO(content)) as pdf:
        _own_ids(pdf, prefix)
        return saved(pdf)


def _own_ids(pdf: Pdf, prefix: str) -> None:
    """Table cells name their heads by identifier (14.8.5.7), which must not be given twice in one file."""
    for one in pdf.objects:
        if not isinstance(one, Dictionary) or not ("/ID" in one or "/A" in one):
            continue  # nearly all of them, which is why nothing is asked before
        if one.get("/Type") != Name.StructElem:
            continue
        if "/ID" in one:
            one.ID = _prefixed(one.ID, prefix)
        for attribute in one.get("/A", []):
            if isinstance(attribute, Dictionary) and "/Headers" in attribute:
                attribute.Headers = Array([_prefixed(h, prefix) for h in attribute.Headers])
    tree = pdf.Root.StructTreeRoot
    if "/IDTree" in tree:
        tree.IDTree = _id_tree([(_bytes(_prefixed(k, prefix)), v) for k, v in _pairs(tree.IDTree, "/Names")])


def bind(parts: Sequence[Part], stamps: bytes, title: str, language: str, moment: datetime) -> bytes:
    """One tagged PDF of all parts in order. `stamps` has a page for every page of it, laid over as an artifact.

    Raises ValueError where there are not as many stamps as pages.
    """
    out = Pdf.new()
    document = out.make_indirect(Dictionary(Type=Name.StructElem, S=Name.Document, K=Array()))
    numbers, ids, roles, next_key = Array(), [], Dictionary(), 0
    for one in parts:
        first = len(out.pages)
        out.pages.extend(one.pdf.pages)
        tree = out.copy_foreign(one.pdf.Root.StructTreeRoot)
        for page in list(out.pages)[first:]:
            _shift(page.obj, next_key)
        for key, value in _pairs(tree.ParentTree, "/Nums"):
            numbers.append(int(key) + next_key)
            numbers.append(value)
        next_key += int(tree.ParentTreeNextKey)
        ids += [(_bytes(k), v) for k, v in _pairs(tree.get("/IDTree", Dictionary()), "/Names")]
        roles.update(tree.get("/RoleMap", Dictionary()))
        for element in tree.K if isinstance(tree.K, Array) else [tree.K]:
            element.S, element.P = Name.Part, document
            document.K.append(element)
    root = out.make_indirect(
        Dictionary(
            Type=Name.StructTreeRoot,
            K=Array([document]),
            ParentTree=out.make_indirect(Dictionary(Nums=numbers)),
            ParentTreeNextKey=next_key,
            RoleMap=roles,
        )
    )
    if ids:
        root.IDTree = out.make_indirect(_id_tree(ids))
    document.P = root
    out.Root.StructTreeRoot = root
    _lay_over(out, stamps)
    _bookmarks(out, parts)
    _describe(out, title, language, moment, all(p.universal for p in parts))
    return saved(out)


def saved(pdf: Pdf) -> bytes:
    """The bytes of a document; the same document gives the same."""
    sink = io.BytesIO()
    pdf.save(sink, deterministic_id=True, object_stream_mode=pikepdf.ObjectStreamMode.generate, min_version="1.7")
    return sink.getvalue()


def _shift(page: Any, by: int) -> None:
    if "/StructParents" in page:
        page.StructParents = int(page.StructParents) + by
    for annotation in page.get("/Annots", []):
        if "/StructParent" in annotation:
            annotation.StructParent = int(annotation.StructParent) + by


def _pairs(tree: Any, kind: str) -> Iterator[tuple[Any, Any]]:
    """Keys and values of a name or number tree, in its order."""
    flat = list(tree.get(kind, []))
    yield from zip(flat[::2], flat[1::2], strict=True)
    for kid in tree.get("/Kids", []):
        yield from _pairs(kid, kind)


def _id_tree(ids: list[tuple[bytes, Any]]) -> Dictionary:
    """A name tree of one leaf, in the order of the keys as the standard asks."""
    names = Array()
    for key, value in sorted(ids, key=lambda pair: pair[0]):
        names.append(String(key))
        names.append(value)
    return Dictionary(Names=names)


def _prefixed(identifier: Any, prefix: str) -> String:
    return String(prefix.encode() + b"-" + _bytes(identifier))


def _bytes(text: Any) -> bytes:
    return bytes(text)


def _lay_over(out: Pdf, stamps: bytes) -> None:
    with Pdf.open(io.BytesIO(stamps)) as over:
        if len(over.pages) != len(out.pages):
            raise ValueError(f"{len(over.pages)} stamps for {len(out.pages)} pages")
        for number, (page, stamp) in enumerate(zip(out.pages, over.pages, strict=True)):
            name = f"Stamp{number}"
            page.add_resource(out.copy_foreign(stamp.as_form_xobject()), Name.XObject, Name("/" + name))
            page.contents_add(b"q\n", prepend=True)
            page.contents_add(PAGINATION % name.encode())
        # what was copied lives on in `out`: pikepdf keeps the source's buffers as long as they are needed


def _bookmarks(out: Pdf, parts: Sequence[Part]) -> None:
    at = 0
    with out.open_outline() as outline:
        for one in parts:
            outline.root.append(pikepdf.OutlineItem(one.title, at))
            at += one.pages


def _describe(out: Pdf, title: str, language: str, moment: datetime, universal: bool) -> None:
    out.Root.Lang = String(language)
    out.Root.MarkInfo = Dictionary(Marked=True)
    out.Root.ViewerPreferences = Dictionary(DisplayDocTitle=True)
    stamp = moment.astimezone(UTC)
    claim = "<pdfuaid:part>1</pdfuaid:part>" if universal else ""
    packet = (
        '<?xpacket begin="\ufeff" id="W5M0MpCehiHzreSzNTczkc9d"?><x:xmpmeta xmlns:x="adobe:ns:meta/">'
        '<rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#"><rdf:Description rdf:about="" '
        'xmlns:dc="http://purl.org/dc/elements/1.1/" xmlns:xmp="http://ns.adobe.com/xap/1.0/" '
        'xmlns:pdfuaid="http://www.aiim.org/pdfua/ns/id/"><dc:title><rdf:Alt><rdf:li xml:lang="x-default">'
        f"{escape(title)}</rdf:li></rdf:Alt></dc:title><dc:language><rdf:Bag><rdf:li>{escape(language)}</rdf:li>"
        f"</rdf:Bag></dc:language><xmp:CreateDate>{stamp:%Y-%m-%dT%H:%M:%SZ}</xmp:CreateDate>{claim}"
        '</rdf:Description></rdf:RDF></x:xmpmeta><?xpacket end="r"?>'
    )
    meta = out.make_stream(packet.encode())
    meta.Type, meta.Subtype = Name.Metadata, Name.XML
    out.Root.Metadata = meta
    out.docinfo["/Title"] = String(title)
    out.docinfo["/CreationDate"] = String(f"D:{stamp:%Y%m%d%H%M%S}Z")
