// Places, lines and areas: from terrain metres to what a marks file holds (RFC 7946) and back, and how far they are.
(function (atlas) {
  "use strict";
  const data = window.FIELD_ATLAS;
  if (!data) { return; }
  const DEPTH = { Point: 0, LineString: 1, Polygon: 2 }, MOST_POINTS = 500, DEGREE_PLACES = 1e7;  // about a centimetre
  const FAR_DEGREES = 0.05;  // the field's own fit to longitude and latitude holds near the field alone

  function position(p) {
    const at = atlas.lonLat(p.x, p.y);
    return [Math.round(at.lon * DEGREE_PLACES) / DEGREE_PLACES, Math.round(at.lat * DEGREE_PLACES) / DEGREE_PLACES];
  }
  function same(a, b) { return a[0] === b[0] && a[1] === b[1]; }
  function different(list) { return list.filter(function (p, k) { return !k || !same(p, list[k - 1]); }); }

  // Twice the area inside a ring, positive where it runs against the clock.
  function twice(ring) {
    return ring.reduce(function (sum, p, k) {
      const q = ring[(k + 1) % ring.length];
      return sum + (p[0] - ring[0][0]) * (q[1] - ring[0][1]) - (q[0] - ring[0][0]) * (p[1] - ring[0][1]);
    }, 0);
  }
  function areaOf(points) { return Math.abs(twice(points.map(function (p) { return [p.x, p.y]; }))) / 2; }
  function lengthOf(points) {
    return points.reduce(function (sum, p, k) {
      return k ? sum + Math.hypot(p.x - points[k - 1].x, p.y - points[k - 1].y) : 0;
    }, 0);
  }

  // A geometry of points in terrain metres; null where they make none. Sources: RFC 7946, 3.1.4 (two or more
  // positions), 3.1.6 (closed rings of four or more, the outer one against the clock).
  function geometryOf(type, points) {
    const list = different(points.map(position));
    if (type === "Point") { return list.length ? { type: type, coordinates: list[list.length - 1] } : null; }
    if (type === "LineString") { return list.length > 1 ? { type: type, coordinates: list } : null; }
    if (list.length > 1 && same(list[0], list[list.length - 1])) { list.pop(); }
    if (list.length < 3 || areaOf(points) < 0.5) { return null; }
    const turned = twice(list) < 0 ? list.reverse() : list;
    return { type: type, coordinates: [turned.concat([turned[0]])] };
  }

  function isPosition(p) {
    return Array.isArray(p) && p.length === 2 && p.every(Number.isFinite) && Math.abs(p[0]) <= 180 && Math.abs(p[1]) <= 90;
  }
  function isList(list, least) {
    return Array.isArray(list) && list.length >= least && list.length <= MOST_POINTS + 1 && list.every(isPosition);
  }
  function isGeometry(g) {
    if (!g || typeof g !== "object") { return false; }
    if (g.type === "Point") { return isPosition(g.coordinates); }
    if (g.type === "LineString") { return isList(g.coordinates, 2); }
    return g.type === "Polygon" && Array.isArray(g.coordinates) && g.coordinates.length === 1 && isList(g.coordinates[0], 4);
  }

  // {type, points} in terrain metres; null where it lies too far off for this field's sheet to say where.
  function shapeOf(g) {
    const list = DEPTH[g.type] === 0 ? [g.coordinates] : DEPTH[g.type] === 1 ? g.coordinates : g.coordinates[0];
    const far = list.some(function (p) {
      return Math.abs(p[0] - data.place.lon) > FAR_DEGREES || Math.abs(p[1] - data.place.lat) > FAR_DEGREES;
    });
    return far ? null : { type: g.type, points: list.map(function (p) { return atlas.metres(p[0], p[1]); }) };
  }

  function toSegment(x, y, a, b) {
    const dx = b.x - a.x, dy = b.y - a.y, l2 = dx * dx + dy * dy;
    const t = l2 ? Math.max(0, Math.min(1, ((x - a.x) * dx + (y - a.y) * dy) / l2)) : 0;
    return Math.hypot(x - a.x - t * dx, y - a.y - t * dy);
  }
  function within(points, x, y) {
    let inside = false;
    for (let k = 0, j = points.length - 1; k < points.length; j = k, k += 1) {
      const a = points[k], b = points[j];
      if (a.y > y !== b.y > y && x < (b.x - a.x) * (y - a.y) / (b.y - a.y) + a.x) { inside = !inside; }
    }
    return inside;
  }

  // Metres from a place to a shape; 0 inside an area.
  function distance(shape, x, y) {
    const p = shape.points;
    if (shape.type === "Polygon" && within(p, x, y)) { return 0; }
    let least = Math.hypot(x - p[0].x, y - p[0].y);
    for (let k = 1; k < p.length; k += 1) { least = Math.min(least, toSegment(x, y, p[k - 1], p[k])); }
    return least;
  }

  // The same way with fewer points, none further off than the tolerance (Douglas and Peucker 1973).
  function thinned(points, tolerance) {
    if (points.length < 3) { return points; }
    const last = points.length - 1;
    let far = 0, at = 0;
    for (let k = 1; k < last; k += 1) {
      const d = toSegment(points[k].x, points[k].y, points[0], points[last]);
      if (d > far) { far = d; at = k; }
    }
    if (far <= tolerance) { return [points[0], points[last]]; }
    return thinned(points.slice(0, at + 1), tolerance).slice(0, -1).concat(thinned(points.slice(at), tolerance));
  }
  function fewEnough(points, tolerance) {
    const found = thinned(points, tolerance);
    return found.length <= MOST_POINTS ? found : fewEnough(points, tolerance * 2);
  }

  // Where a shape's sign stands.
  function middle(shape) {
    const p = shape.points;
    if (shape.type === "Point") { return p[0]; }
    if (shape.type === "Polygon") {
      const n = p.length - 1;
      return { x: p.slice(0, n).reduce(function (s, q) { return s + q.x; }, 0) / n,
        y: p.slice(0, n).reduce(function (s, q) { return s + q.y; }, 0) / n };
    }
    let left = lengthOf(p) / 2, k = 1;
    for (; k < p.length - 1 && left > lengthOf([p[k - 1], p[k]]); k += 1) { left -= lengthOf([p[k - 1], p[k]]); }
    const step = lengthOf([p[k - 1], p[k]]), t = step ? left / step : 0;
    return { x: p[k - 1].x + t * (p[k].x - p[k - 1].x), y: p[k - 1].y + t * (p[k].y - p[k - 1].y) };
  }

  // "an area of 30 m², good to 4 m"
  function words(shape, accuracy) {
    const say = data.mark_words, good = atlas.upMetres(accuracy);
    if (shape.type === "Point") { return atlas.fill(say.point, { accuracy: good }); }
    if (shape.type === "LineString") {
      return atlas.fill(say.line, { length: atlas.upMetres(lengthOf(shape.points)), accuracy: good });
    }
    return atlas.fill(say.area, { area: Math.ceil(areaOf(shape.points)) + " m²", accuracy: good });
  }
  // Whole metres, rounded up.
  atlas.upMetres = function (metres) { return Math.ceil(metres - 1e-6) + " m"; };

  atlas.shapes = { geometryOf: geometryOf, isGeometry: isGeometry, shapeOf: shapeOf, distance: distance,
    fewEnough: fewEnough, TOLERANCE_M: 0.5, middle: middle, words: words, lengthOf: lengthOf };
})(window.fieldAtlas);
