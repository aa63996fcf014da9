// What a place and a way of travel mean for the chosen machine, ground and driver: the sums behind the warnings.
// A verdict holds for the machine's middle (half the machine is in it already), and the device counts as the middle.
// Distances are to the nearest edge of a page cell, with what the position may be wrong by taken off.
//
// "inside" begins as soon as closed ground lies within the accuracy on any side: the machine may stand on it. What is
// not known counts against the driver; the second grade says that the position itself is on closed ground.
// "Ahead" is a strip along the way of travel, as wide on either side as the accuracy and at least half the machine:
// wherever in its ring the machine truly is, what it drives onto straight ahead lies in that strip. Until there is a
// way of travel, every side is ahead.
(function (atlas) {
  "use strict";
  const data = window.FIELD_ATLAS;
  if (!data) { return; }
  const OUTSIDE = 255, UP_DOWN = 1, CLOSED_FROM = 2, WEAK_M = 10, ACROSS_DEG = 15, FAR_ACROSS_DEG = 45;
  const MOVING_M_S = 0.7, BASE_M = [3, 8], WAY_MS = 30000, CALM_MS = 5000;
  const cells = data.cells;

  function machineOf(choice) {
    return data.machines.find(function (m) { return m.key === data.drives[choice].machine; });
  }
  // A machine's length for saying distances: corner to corner over its wheels, the only length the sums know.
  function lengthOf(machine) { return Math.hypot(machine.track, machine.wheelbase); }

  // The way of travel in degrees clockwise from grid north, or null: the device's own heading while it moves, else
  // from the newest fix that lies far enough back for its jitter not to turn the way about.
  function wayOf(fixes) {
    const last = fixes[fixes.length - 1];
    if (last.heading !== null && last.speed !== null && last.speed >= MOVING_M_S) { return last.heading; }
    const base = Math.min(BASE_M[1], Math.max(BASE_M[0], last.accuracy));
    for (let k = fixes.length - 2; k >= 0; k -= 1) {
      const east = last.x - fixes[k].x, north = last.y - fixes[k].y;
      if (last.at - fixes[k].at > WAY_MS) { return null; }
      if (Math.hypot(east, north) >= base) { return (Math.atan2(east, north) * 180 / Math.PI + 360) % 360; }
    }
    return null;
  }

  // Calls seen(metres to the cell's nearest edge, along, aside, row, col) for each closed cell; `along` and `aside`
  // are of the cell's nearest corner, in the way of travel and square to it (0 without one).
  function eachClosed(zones, fix, way, seen) {
    const hx = cells.x / 2, hy = cells.y / 2, turn = (way || 0) * Math.PI / 180;
    const ex = Math.sin(turn), ny = Math.cos(turn);
    const long = hx * Math.abs(ex) + hy * Math.abs(ny), wide = hx * Math.abs(ny) + hy * Math.abs(ex);
    for (let row = 0, k = 0; row < cells.rows; row += 1) {
      const y = cells.north - (row + 0.5) * cells.y - fix.y;
      for (let col = 0; col < cells.cols; col += 1, k += 1) {
        if (zones[k] < CLOSED_FROM || zones[k] === OUTSIDE) { continue; }
        const x = cells.west + (col + 0.5) * cells.x - fix.x;
        const off = Math.hypot(Math.max(0, Math.abs(x) - hx), Math.max(0, Math.abs(y) - hy));
        seen(off, x * ex + y * ny + long, Math.max(0, Math.abs(x * ny - y * ex) - wide), row, col);
      }
    }
  }

  // {around, ahead}: {metres, row, col} of the nearest closed ground on any side and along the way, or null.
  function closedNear(zones, fix, way, halfWidth) {
    const found = { around: null, ahead: null };
    function nearer(key, off, row, col) {
      if (!found[key] || off < found[key].off) { found[key] = { off: off, row: row, col: col }; }
    }
    eachClosed(zones, fix, way, function (off, along, aside, row, col) {
      nearer("around", off, row, col);
      if (way === null || along >= 0 && aside <= halfWidth) { nearer("ahead", off, row, col); }
    });
    Object.keys(found).forEach(function (key) {
      if (found[key]) { found[key].metres = found[key].off - fix.accuracy; }
    });
    return found;
  }

  // Metres along the way to where the field ends, accuracy taken off; null without a way.
  function edgeAhead(zones, fix, way) {
    if (way === null) { return null; }
    const step = Math.min(cells.x, cells.y) / 4, turn = way * Math.PI / 180;
    for (let far = 0; ; far += step) {
      const at = atlas.cellAt(fix.x + far * Math.sin(turn), fix.y + far * Math.cos(turn));
      const out = at.row < 0 || at.col < 0 || at.row >= cells.rows || at.col >= cells.cols;
      if (out || zones[at.row * cells.cols + at.col] === OUTSIDE) { return far - fix.accuracy; }
    }
  }

  // Degrees (0 to 90) between the way of travel and straight up or down at a cell; null where there is no telling.
  function offFall(way, row, col) {
    const down = way === null ? null : atlas.downhill(row, col);
    if (!down) { return null; }
    const turn = way * Math.PI / 180;
    const along = Math.abs(Math.sin(turn) * down.east + Math.cos(turn) * down.north);
    return Math.acos(Math.min(1, along)) * 180 / Math.PI;
  }

  // {state, grade, zone, row, col, around, ahead, edge, off}: the state as html[data-watch] says it, and how bad (1, 2).
  function judge(choice, fix, way, near) {
    const at = atlas.cellAt(fix.x, fix.y), zones = atlas.zonesNow(choice);
    const zone = atlas.verdictOf(choice, at.row, at.col).zone === OUTSIDE ? OUTSIDE : zones[at.row * cells.cols + at.col];
    const out = { state: "following", grade: 1, zone: zone, row: at.row, col: at.col,
      around: null, ahead: null, edge: null, off: null };
    if (!(fix.accuracy >= 0 && fix.accuracy <= Math.max(WEAK_M, near))) { out.state = "weak"; return out; }
    const machine = machineOf(choice);
    const found = closedNear(zones, fix, way, Math.max(fix.accuracy, machine.width / 2));
    out.around = found.around;
    out.ahead = found.ahead;
    out.edge = edgeAhead(zones, fix, way);
    if (zone === UP_DOWN) { out.off = offFall(way, at.row, at.col); }
    if (zone === OUTSIDE) {
      out.state = "outside";
    } else if (found.around && found.around.metres <= 0) {
      out.state = "inside";
      out.grade = zone >= CLOSED_FROM ? 2 : 1;
    } else if (out.off !== null && out.off > ACROSS_DEG) {
      out.state = "across";
      out.grade = out.off > FAR_ACROSS_DEG ? 2 : 1;
    } else if (found.ahead && found.ahead.metres <= near) {
      out.state = "near";
      out.grade = found.ahead.metres < lengthOf(machine) ? 2 : 1;
    }
    return out;
  }

  // A memory that says whether a state is to be sounded: once when it is entered, again only when it has become worse.
  // A state left for less than CALM_MS was not left.
  function memory() {
    const seen = {};
    let last = "";
    return function (state, grade, now) {
      const before = seen[state], same = before && (state === last || now - before.at <= CALM_MS);
      seen[state] = { at: now, grade: same ? Math.max(before.grade, grade) : grade };
      last = state;
      return state !== "following" && (!same || grade > before.grade);
    };
  }

  atlas.watching = { judge: judge, wayOf: wayOf, memory: memory, machineOf: machineOf, lengthOf: lengthOf };
})(window.fieldAtlas);
