// From the tablet's gravity sensor to the machine's tilt, for any mounting. All vectors are in the tablet's own axes
// (x right, y to the top edge, z out of the screen; W3C Device Orientation) and of length one.
//
// Level needs no level ground. The machine stands on one spot of the yard and then, turned right round, on the same
// spot again: what the yard tips it one way it tips it the other way the second time, so "up" read both times adds up
// to the machine's own up axis, whatever the mount's angle and the yard's slope.
// Which way is ahead, two such readings cannot tell. Either the screen faces the driver squarely: then ahead is where
// its back points, or its top edge where it lies nearly flat. Or, for a mount turned sideways, the machine is driven
// straight up a slope and read there: what that adds to "up" points ahead.
// Side and nose are gradients along and square to the way the machine points, rise over run, as in the atlas's sums: on
// a plane of gradient g, heading a from straight up, they are g·sin a and g·cos a.
(function (atlas) {
  "use strict";
  const DEG = Math.PI / 180, MOST_YARD_DEG = 12, TURNED_DEG = 30, LEAST_UPHILL = 0.06;

  function dot(a, b) { return a[0] * b[0] + a[1] * b[1] + a[2] * b[2]; }
  function cross(a, b) {
    return [a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]];
  }
  function size(a) { return Math.sqrt(dot(a, a)); }
  function unit(a) { const l = size(a); return [a[0] / l, a[1] / l, a[2] / l]; }
  function plus(a, b, k) { return [a[0] + k * b[0], a[1] + k * b[1], a[2] + k * b[2]]; }
  function flat(a, up) { return plus(a, up, -dot(a, up)); }  // its part square to `up`
  function angle(a, b) { return Math.atan2(size(cross(a, b)), dot(a, b)) / DEG; }

  // Up from an orientation (degrees), the third row of the standard's rotation matrix.
  function upOf(beta, gamma) {
    const b = beta * DEG, g = gamma * DEG;
    return [-Math.cos(b) * Math.sin(g), Math.sin(b), Math.cos(b) * Math.cos(g)];
  }

  // Degrees by which the tablet was turned about the vertical from one orientation to another, 0 to 180.
  function turned(one, other) {
    const a = matrix(one), b = matrix(other);
    function q(i, j) { return dot(b[i], a[j]); }
    return Math.abs(Math.atan2(q(1, 0) - q(0, 1), q(0, 0) + q(1, 1))) / DEG;
  }
  function matrix(o) {
    const a = o.alpha * DEG, b = o.beta * DEG, g = o.gamma * DEG;
    const ca = Math.cos(a), sa = Math.sin(a), cb = Math.cos(b), sb = Math.sin(b), cg = Math.cos(g), sg = Math.sin(g);
    return [[ca * cg - sa * sb * sg, -cb * sa, cg * sa * sb + ca * sg],
      [cg * sa + ca * sb * sg, ca * cb, sa * sg - ca * cg * sb], [-cb * sg, sb, cb * cg]];
  }

  // {up} from two readings {up, alpha, beta, gamma}, or {why}: "steep" (not the same spot, or the mount gave way) or
  // "not_turned". Where the device knows no turning, that cannot be checked.
  function levelFrom(one, other) {
    if (angle(one.up, other.up) > 2 * MOST_YARD_DEG) { return { why: "steep" }; }
    if (one.alpha !== null && other.alpha !== null && turned(one, other) < 180 - TURNED_DEG) { return { why: "not_turned" }; }
    return { up: unit(plus(one.up, other.up, 1)) };
  }

  // Ahead where the screen faces the driver squarely: where its back points, or its top edge where it lies nearly
  // flat; `turn` is the screen's own turn in degrees (screen.orientation).
  function aheadSquare(up, turn) {
    const back = flat([0, 0, -1], up), top = flat([Math.sin(turn * DEG), Math.cos(turn * DEG), 0], up);
    return unit(size(back) > 0.5 ? back : top);  // half: tilted up by 30° or more
  }

  // Ahead from a reading with the nose straight up a slope; null where that is too little to tell.
  function aheadUphill(up, reading) {
    const more = flat(reading, up);
    return size(more) < LEAST_UPHILL ? null : unit(more);
  }

  // {side, nose}: gradients, side above 0 where the right is low, nose above 0 where it points up; `off` is how far the
  // tablet is from where it was set to level, degrees.
  function attitude(up, level) {
    const right = cross(level.ahead, level.up), nose = dot(up, level.ahead), rest = Math.sqrt(Math.max(1e-9, 1 - nose * nose));
    return { side: -dot(up, right) / (Math.max(1e-3, dot(up, level.up)) * rest), nose: nose / rest,
      off: angle(up, level.up) };
  }

  // A level as kept on the device; null where it is none of ours.
  function checked(kept) {
    function vector(a) { return Array.isArray(a) && a.length === 3 && Math.abs(size(a) - 1) < 1e-3; }
    const fine = kept && vector(kept.up) && vector(kept.ahead) && Math.abs(dot(kept.up, kept.ahead)) < 1e-3 &&
      !isNaN(Date.parse(kept.at));
    return fine ? kept : null;
  }

  atlas.tilting = { upOf: upOf, levelFrom: levelFrom, aheadSquare: aheadSquare, aheadUphill: aheadUphill,
    attitude: attitude, checked: checked, angle: angle, unit: unit };
})(window.fieldAtlas);
