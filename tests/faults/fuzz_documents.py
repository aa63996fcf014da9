"""Marks files and settings files that are broken, odd or hostile."""

from __future__ import annotations

import base64
import io
import json
from random import Random
from typing import Any

from fuzz_words import NUMBERS, TEXTS, TIMES
from PIL import Image

FRAME = {"type": "FeatureCollection", "format": "field-atlas-marks/1", "edition": 1, "farm": "f"}
LON, LAT = 10.3155, 46.9409  # on the small farm's fields
HAZARD = "00000000-0000-4000-8000-000000000000"
KINDS = ("wet_spot", "unstable_bank", "forest_edge", "obstacle", "overhead_line", "no_go", "slip", "meadow", "")


def _picture(rng: Random) -> str:
    sink = io.BytesIO()
    mode, kind = rng.choice((("RGB", "JPEG"), ("RGBA", "PNG"), ("P", "PNG"), ("L", "WEBP"), ("I;16", "PNG")))
    Image.new(mode, (rng.randint(1, 90), rng.randint(1, 90))).save(sink, kind)
    data = bytearray(sink.getvalue())
    for _ in range(rng.choice((0, 0, 1, 10))):
        data[rng.randrange(len(data))] = rng.randrange(256)
    text = base64.b64encode(
        bytes(data[: rng.choice((None, None, rng.randrange(len(data)))) or len(data)])
    ).decode()
    return rng.choice((text, text, f"data:image/png;base64,{text}", text[:-1], text + "!", f"data:{text}"))


def _anything(rng: Random, depth: int = 0) -> Any:
    pick = rng.randrange(9 if depth < 4 else 6)
    if pick == 6:
        return [_anything(rng, depth + 1) for _ in range(rng.randrange(4))]
    if pick >= 7:
        return {rng.choice(("type", "coordinates", "kind", "a")): _anything(rng, depth + 1) for _ in range(2)}
    return (None, True, rng.choice(TEXTS)[:400], rng.choice(NUMBERS), rng.choice(TIMES), rng.random())[pick]


def _place(rng: Random) -> list[Any]:
    if rng.random() < 0.1:
        return [_anything(rng), _anything(rng)]
    return [LON + rng.uniform(-0.0005, 0.0005), LAT + rng.uniform(-0.0005, 0.0005)]


def _geometry(rng: Random) -> Any:
    kind = rng.choice(("Point", "Point", "LineString", "Polygon", "MultiPoint", "MultiPolygon", "Curve"))
    line = [_place(rng) for _ in range(rng.choice((0, 1, 2, 4, 9)))]
    ring = [*line, *line[:1]]
    coordinates: dict[str, Any] = {
        "Point": _place(rng), "LineString": line, "Polygon": [ring], "MultiPoint": line, "MultiPolygon": [[ring]],
        "Curve": line,
    }  # fmt: skip
    found: Any = {"type": kind, "coordinates": coordinates[kind]}
    return _anything(rng) if rng.random() < 0.05 else found


def _feature(rng: Random) -> Any:
    told: dict[str, Any] = {"kind": rng.choice(KINDS), "seen_at": rng.choice(TIMES)}
    for name in ("severity", "reach_m", "accuracy_m", "depth_m", "note", "seen_by", "hazard_id", "photo", "x"):
        if rng.random() < 0.25:
            told[name] = rng.choice((_anything(rng), 1, 2, 3, 4.5, "text", HAZARD))
    if rng.random() < 0.2:
        told["photo"] = _picture(rng)
    if rng.random() < 0.2:
        told[rng.choice(("seen_again", "gone"))] = rng.choice((HAZARD, HAZARD, "nobody", 5, None, {}, "x" * 300))
    feature = {"type": "Feature", "geometry": _geometry(rng), "properties": told}
    return _anything(rng) if rng.random() < 0.05 else feature


def marks(rng: Random) -> bytes:
    """A marks file: whole with odd features, or its text broken."""
    content: dict[str, Any] = {**FRAME, "features": [_feature(rng) for _ in range(rng.randint(0, 4))]}
    if rng.random() < 0.15:
        content[rng.choice((*FRAME, "features", "crs"))] = _anything(rng)
    text = json.dumps(content, ensure_ascii=rng.random() < 0.5)
    how = rng.randrange(12)
    if how == 0:
        text = text[: rng.randrange(len(text))]
    elif how == 1:
        text = text.replace(rng.choice('{}[]":,'), rng.choice('{}[]":, \x00'), rng.randint(1, 3))
    elif how == 2:
        deep = rng.choice((10, 900, 1_100, 50_000))
        text = text.replace("null", "[" * deep + "]" * deep, 1)
    elif how == 3:
        text = text.replace('"type"', '"type": "Feature", "type"', rng.randint(1, 3))
    elif how == 4:
        text = text.replace("1", "9" * rng.choice((30, 400, 5_000)), 1)
    data = bytearray(text.encode("utf-8", "surrogatepass"))
    if how == 5 and data:
        for _ in range(rng.randint(1, 5)):
            data[rng.randrange(len(data))] = rng.randrange(256)
    return bytes(data)


KEYS = (
    "farm.name", "farm.lead_phone", "farm.languages", "farm.emergency_number", "layers.parcels", "layers.hazards",
    "layers.dem", "layers.ways_in", "layers.backdrop", "columns.name", "columns.field_id", "terrain.dem_sigma_m",
    "terrain.zones_up_to_cell_m", "terrain.breaks_pct", "terrain.min_patch_m2", "terrain.source",
    "terrain.height_unit", "machines.a.track_m", "machines.a.wheelbase_m", "machines.a.cog_height_m",
    "machines.a.cog_ahead_m", "machines.a.front_axle", "machines.a.pivot_height_m", "machines.a.width_m",
    "machines.a.mass_kg", "machines.a.towed_kg", "machines.a.driven", "machines.a.side_limit_pct",
    "machines.a.climb_limit_pct", "machines.a.turn_radius_m", "machines.a.walked", "machines.a.name",
    "grounds.firm.grip", "grounds.firm.sink_m", "grounds.lava.grip", "drivers.new.share", "on_foot.limit_pct",
    "on_foot.strip_m", "on_foot.m2_per_hour", "drops.within_m", "drops.fall_m", "watch.near_m", "shown.machine",
    "shown.ground", "shown.driver", "print.paper", "print.pdf", "nothing", "farm", "terrain.nothing",
)  # fmt: skip
WHOLE = {
    "name": '"A"', "track_m": "1.9", "wheelbase_m": "2.2", "cog_height_m": "0.85", "cog_ahead_m": "0.95",
    "width_m": "2.3", "mass_kg": "3200", "turn_radius_m": "4.5",
}  # fmt: skip
RANGES = {  # numbers that are taken, and just not
    "terrain.dem_sigma_m": (0, 5), "terrain.zones_up_to_cell_m": (0.01, 50), "terrain.min_patch_m2": (0, 1e6),
    "machines.a.track_m": (0.4, 4), "machines.a.wheelbase_m": (0.3, 8), "machines.a.cog_height_m": (0.001, 4),
    "machines.a.cog_ahead_m": (0.001, 8), "machines.a.pivot_height_m": (0, 2), "machines.a.width_m": (0.4, 12),
    "machines.a.mass_kg": (0.001, 60_000), "machines.a.towed_kg": (0, 60_000),
    "machines.a.side_limit_pct": (0.01, 200), "machines.a.climb_limit_pct": (0.01, 200),
    "machines.a.turn_radius_m": (0, 30), "grounds.firm.grip": (0.001, 1.2), "grounds.firm.sink_m": (0, 1),
    "drivers.new.share": (0.001, 1), "on_foot.limit_pct": (0.01, 300), "on_foot.strip_m": (0, 100),
    "on_foot.m2_per_hour": (0.01, 100_000), "drops.within_m": (0, 200), "drops.fall_m": (0.01, 100),
    "watch.near_m": (2, 200),
}  # fmt: skip
SAID = (
    "0", "1", "-1", "0.5", "2", "3", "40", "1e300", "nan", "inf", "-inf", "1e-300", "0x7fffffffffffffff", "true",
    '""', '"en"', '["en", "de"]', '["en", "en"]', '["xx"]', "[]", "[18, 35, 50]", "[50, 18]", "[1,2,3,4,5,6,7,8]",
    "[0.1, 1000]", "{}", '{a = "b"}', '"parcels"', '["hazards"]', '"hazards"', '"dem"', '"ft"', '"rear"',
    '"pivots"', '"firm"', '"a"', "2026-05-02", "[[1]]", "[nan]", "9" * 400, "9" * 5_000, "99999", '"A3"',
    '"fixed"',
)  # fmt: skip


def settings(rng: Random) -> bytes:
    """A settings file: valid TOML with odd values, or its text broken."""
    machine = dict(WHOLE)
    lines: dict[str, str] = {}
    for _ in range(rng.randint(1, 4)):
        key = rng.choice(KEYS)
        said = rng.choice((*SAID, json.dumps(rng.choice(TEXTS)[:2_000])))
        if rng.random() < 0.8:
            key = rng.choice(list(RANGES))
            low, high = RANGES[key]
            said = str(rng.choice((low, high, rng.uniform(low, high), rng.uniform(low, high), high * 1.001)))
        if key.startswith("machines.a."):
            machine[key.rpartition(".")[2]] = said
        else:
            lines[key] = said
    lines |= {f"machines.a.{name}": said for name, said in machine.items()}
    lines.setdefault("print.pdf", "false")
    text = "\n".join(f"{key} = {said}" for key, said in lines.items()) + "\n"
    how = rng.randrange(20)
    if how == 0:
        text = text[: rng.randrange(len(text))]
    elif how == 1:
        text += rng.choice(
            ("[farm]\n", "[[machines]]\n", "a." * 3_000 + "b = 1\n", "x = " + "[" * 3_000, "=", '"')
        )
    data = bytearray(text.encode("utf-8", "surrogatepass"))
    if how == 2:
        for _ in range(rng.randint(1, 3)):
            data[rng.randrange(len(data))] = rng.randrange(256)
    return bytes(data)
