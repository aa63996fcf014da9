"""A code that opens a place in a phone's map app: the place as a `geo:` URI (RFC 5870), drawn as a QR symbol
(ISO/IEC 18004)."""

from __future__ import annotations

import segno


def geo_uri(lon: float, lat: float) -> str:
    """A place on WGS 84, to six decimals (a decimetre): "geo:47.123456,9.654321", latitude first."""
    return f"geo:{lat:.6f},{lon:.6f}"


def code(uri: str) -> str:
    """The symbol as an SVG, black on white with its quiet zone, one unit a module. Level M: a fold or a splash on
    up to a seventh of it does no harm."""
    symbol = segno.make_qr(uri, error="m")
    rows = list(symbol.matrix_iter(border=4))
    marks = "".join(
        f"M{col} {row}h1v1h-1z" for row, line in enumerate(rows) for col, dark in enumerate(line) if dark
    )
    side = len(rows)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {side} {side}" width="{side}" height="{side}">'
        f'<rect width="{side}" height="{side}" fill="#fff"/><path fill="#000" d="{marks}"/></svg>'
    )
