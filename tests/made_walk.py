"""Fields with stops and ways in at chosen places, for tests of walks: what lies where is said in metres."""

from __future__ import annotations

from atlas.driving.walk_records import LIKELY_WET, At, FieldStops, Gate, Stop


def at(x: float, y: float, height_m: float | None = 500.0) -> At:
    """Longitude and latitude are made up: a degree for 100 km either way from 10° east, 47° north."""
    return At(x, y, round(10 + x / 1e5, 7), round(47 + y / 1e5, 7), height_m)


def gate(x: float, y: float, name: str = "gate", height_m: float | None = 500.0) -> Gate:
    return Gate(name, "at the south edge", at(x, y, height_m))


def likely(
    key: str, x: float, y: float, rank: int = 1, index: float = 8.0, height_m: float | None = 500.0
) -> Stop:
    return Stop(key, LIKELY_WET, None, None, "in the middle", "", rank, index, 0.0, at(x, y, height_m))


def marked(
    key: str, x: float, y: float, kind: str = "wet_spot", *, off_m: float = 0.0, note: str = "", tag: int = 1
) -> Stop:
    severity = 2 if kind == "wet_spot" else None
    return Stop(key, kind, severity, tag, "in the north", note, 0, 0.0, off_m, at(x, y))


def field(
    field_id: str, stops: list[Stop], gates: list[Gate] | None = None, *, name: str = "", farm: str = ""
) -> FieldStops:
    page = f"fields/{field_id.lower()}.html"
    return FieldStops(field_id, name or f"Field {field_id}", page, farm, tuple(gates or ()), tuple(stops))
