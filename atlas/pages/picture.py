"""A field's map as one SVG made without a browser: for the page, for paper, and for scripts to make movable."""

from __future__ import annotations

from dataclasses import dataclass

from markupsafe import Markup
from shapely.geometry import MultiPolygon, Polygon

from atlas.driving.records import Drive
from atlas.grid import Floats
from atlas.languages import tr
from atlas.pages.context import TerrainNote
from atlas.pages.data_cells import PageCells, fall_lines, page_cells, verdicts, worst_class
from atlas.pages.picture_frame import Frame, frame_for, n, strip
from atlas.pages.picture_grid import grid_marks
from atlas.pages.picture_ground import contours_group, field_clip, frame_clip, lines, neighbours_group, shading
from atlas.pages.picture_marks import drops_group, hazards_group, ways_in_group
from atlas.pages.picture_room import Room
from atlas.pages.picture_zones import class_paths, zones_group
from atlas.pages.signs import TileScale, class_tiles, tiles
from atlas.survey import FieldSurvey
from atlas.words import N_, number, short

STRIP_SCALE = N_("1 : {scale} on A4 printed at 100 %")
STRIP_TERRAIN = N_("Terrain: {source}, {dated}, cells of {cell} m")
STRIP_GRID = N_("Grid: {crs}, metres")
NOT_STATED, UNDATED = N_("not stated"), N_("undated")


@dataclass(frozen=True)
class Plate:
    """What every picture of one field shares."""

    survey: FieldSurvey
    frame: Frame
    cells: PageCells
    fall: tuple[Floats, Floats]


def plate_for(survey: FieldSurvey) -> Plate:
    terrain = survey.terrain
    cells = page_cells(terrain)
    fall = fall_lines(cells, terrain.gradient.gx, terrain.gradient.gy)
    frame = frame_for(survey.parcel.shape, terrain.grid, [w.shape for w in survey.ways_in])
    return Plate(survey, frame, cells, fall)


def definitions(plate: Plate, also: Markup) -> Markup:
    """Fills and the field's outline, once per page: both maps and the movable copy use them. `also`: fills of
    other pictures on the page."""
    scale = TileScale(plate.frame.mm / plate.cells.cell_x, plate.frame.mm / plate.cells.cell_y)
    count = len(plate.survey.terrain.figures.classes)
    return Markup(
        '<svg class="definitions" width="0" height="0" aria-hidden="true"><defs>{}{}{}{}{}{}{}</defs></svg>'
    ).format(
        tiles("", scale),
        class_tiles("class-", scale, count),
        tiles("sample-", TileScale(1.0, 1.0)),
        class_tiles("sample-class-", TileScale(1.0, 1.0), count),
        field_clip(plate.survey.parcel.shape, plate.frame),
        frame_clip(plate.frame),
        also,
    )


def zone_map(plate: Plate, drive: Drive, title: str, note: TerrainNote) -> Markup:
    """The map of where one machine may go."""
    painted = zones_group(verdicts(plate.cells, drive), plate.cells, plate.frame, plate.fall)
    return _map(plate, painted, "zone-map", title, note)


def class_map(plate: Plate, title: str, note: TerrainNote, alone: bool) -> Markup:
    """The map of slope classes. Beside a zone map on the same page (not `alone`) the ground is used again, not
    repeated, and the page says `map_words` below it, where long ones find room."""
    frame, cells = plate.frame, plate.cells
    terrain = plate.survey.terrain
    count = len(terrain.figures.classes)
    place = (
        f"translate({n(frame.x(cells.west), 3)} {n(frame.y(cells.north), 3)}) "
        f"scale({n(cells.cell_x, 6)} {n(cells.cell_y, 6)})"
    )
    keys = [f"class-{i}" for i in range(count)] + ["unsurveyed"]
    paths = "".join(
        f'<path class="slope-class" data-class="{key}" fill="{"none" if key == "class-0" else f"url(#{key})"}" '
        f'd="{d}"/>'
        for key, d in zip(keys, class_paths(worst_class(cells, terrain.slope_class), count), strict=True)
    )
    painted = Markup(f'<g class="classes" clip-path="url(#field-clip)"><g transform="{place}">{paths}</g></g>')
    return _map(plate, painted, "class-map", title, note, again=not alone)


def _map(plate: Plate, painted: Markup, key: str, title: str, note: TerrainNote, again: bool = False) -> Markup:
    frame, survey = plate.frame, plate.survey
    if again:
        ground, over = (Markup('<use href="#{}"/>').format(part) for part in ("map-ground", "map-over"))
    else:
        ground, over = _ground_and_over(plate)
    return Markup(
        '<svg id="{key}" class="picture" viewBox="0 0 {w} {h}" width="{wide}mm" height="{high}mm" role="img" '
        'aria-labelledby="{key}-title" data-west="{west}" data-north="{north}" data-width="{w}" '
        'data-height="{map_h}" data-mm="{mm}"><title id="{key}-title">{title}</title>'
        '<rect class="plate" width="{w}" height="{map_h}"/>'
        '<g clip-path="url(#frame-clip)">{ground}{painted}{over}</g>{strip}</svg>'
    ).format(
        key=key,
        w=n(frame.width),
        h=n(frame.height_with_strip, 2),
        wide=n(frame.width / frame.mm, 3),
        high=n(frame.height_with_strip / frame.mm, 3),
        west=n(frame.box.west),
        north=n(frame.box.north),
        map_h=n(frame.height),
        mm=n(frame.mm, 4),
        title=title,
        ground=ground,
        painted=painted,
        over=over,
        strip=strip(frame, survey.place.convergence_deg, () if again else map_words(frame, note)),
    )


def _ground_and_over(plate: Plate) -> tuple[Markup, Markup]:
    """What lies under the zones and what lies over them. Numbers and ways in get room first, then names, then
    coordinates and heights."""
    survey, frame = plate.survey, plate.frame
    driving, room = survey.driving, Room(frame)
    hazards = hazards_group(driving.hazards, frame, room)
    ways = ways_in_group(survey.ways_in, survey.parcel.shape, frame, room)
    neighbours = neighbours_group(survey.neighbours, frame, room)
    grid = grid_marks(frame, room)
    contours = contours_group(survey.terrain.contours, frame, room)
    ground = Markup('<g id="map-ground">{}{}{}</g>').format(shading(survey.terrain, frame), contours, neighbours)
    drops = drops_group(driving.drop_lines, driving.unknown_edges, frame)
    outline = _outline(survey.parcel.shape, frame)
    over = Markup('<g id="map-over">{}{}{}{}{}</g>').format(grid, outline, drops, hazards, ways)
    return ground, over


def _outline(shape: Polygon | MultiPolygon, frame: Frame) -> Markup:
    return Markup(f'<path class="outline" d="{lines(shape, frame)}"/>')


def map_words(frame: Frame, note: TerrainNote) -> tuple[str, ...]:
    """The scale a map prints at, where its terrain is from, and its grid."""
    cell = short(round(note.cell_x_m, 2))
    if note.cell_x_m != note.cell_y_m:
        cell += f" × {short(round(note.cell_y_m, 2))}"
    return (
        tr(STRIP_SCALE).format(scale=number(frame.scale)),
        tr(STRIP_TERRAIN).format(source=tr(note.source or NOT_STATED), dated=note.date or tr(UNDATED), cell=cell),
        tr(STRIP_GRID).format(crs=note.crs),
    )
