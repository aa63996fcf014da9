// How a machine would stand at a cell: the sums of atlas/terrain/stance.py on the heights the page carries.
// For telling only. The verdicts come from the data; these numbers say what they rest on.
(function (atlas) {
  "use strict";
  const FALL = [0, 15, -15], ROUND = [1, 2, 3, 4, 5, 6, 7].map(function (k) { return 22.5 * k; });
  const LEVEL = 0.03, SNAP = 1e-9;

  function bilinear(row, col) {
    const h = atlas.data.heights, z = atlas.heights();
    const r0 = Math.floor(row + SNAP), c0 = Math.floor(col + SNAP);
    const fr = row - r0 < SNAP ? 0 : row - r0, fc = col - c0 < SNAP ? 0 : col - c0;
    const r1 = fr > 0 ? r0 + 1 : r0, c1 = fc > 0 ? c0 + 1 : c0;
    if (r0 < 0 || c0 < 0 || r1 >= h.rows || c1 >= h.cols) { return NaN; }
    const top = fc ? z[r0 * h.cols + c0] * (1 - fc) + z[r0 * h.cols + c1] * fc : z[r0 * h.cols + c0];
    if (!fr) { return top; }
    const low = fc ? z[r1 * h.cols + c0] * (1 - fc) + z[r1 * h.cols + c1] * fc : z[r1 * h.cols + c0];
    return top * (1 - fr) + low * fr;
  }

  // Horn's gradient at a cell of the heights, rise over run towards east and north.
  function horn(r, c) {
    const h = atlas.data.heights, z = atlas.heights();
    function at(i, j) { return i < 0 || j < 0 || i >= h.rows || j >= h.cols ? NaN : z[i * h.cols + j]; }
    const a = at(r - 1, c - 1), b = at(r - 1, c), d = at(r - 1, c + 1), e = at(r, c - 1), f = at(r, c + 1),
      g = at(r + 1, c - 1), i = at(r + 1, c), j = at(r + 1, c + 1), middle = at(r, c);
    const gx = ((d + 2 * f + j) - (a + 2 * e + g)) / (8 * h.x) + 0 * middle;
    const gy = ((a + 2 * b + d) - (g + 2 * i + j)) / (8 * h.y) + 0 * middle;
    return { gx: gx, gy: gy, steep: Math.sqrt(gx * gx + gy * gy) };
  }

  // {anyRoll, anyPitch, anyStance, fallRoll, fallPitch, fallStance} at a cell of the heights.
  function stand(machine, r, c) {
    const h = atlas.data.heights, g = horn(r, c);
    const level = g.steep < LEVEL, east = level ? 0 : -g.gx / g.steep, north = level ? 1 : -g.gy / g.steep;
    const out = { steep: g.steep, anyRoll: 0, anyPitch: 0, anyStance: 0, fallRoll: 0, fallPitch: 0, fallStance: 0 };
    FALL.concat(ROUND).forEach(function (turn, k) {
      const cos = Math.cos(turn * Math.PI / 180), sin = Math.sin(turn * Math.PI / 180);
      function wheel(ahead, left) {
        const along = ahead * cos - left * sin, aside = ahead * sin + left * cos;
        return bilinear(r - (along * north + aside * east) / h.y, c + (along * east - aside * north) / h.x);
      }
      const a = machine.wheelbase / 2, s = machine.track / 2;
      const fl = wheel(a, s), fr = wheel(a, -s), rl = wheel(-a, s), rr = wheel(-a, -s);
      const roll = Math.max(Math.abs(fl - fr), Math.abs(rl - rr)) / machine.track;
      const pitch = Math.abs(fl + fr - rl - rr) / (2 * machine.wheelbase);
      const stance = Math.sqrt(roll * roll + pitch * pitch);
      const sets = k < FALL.length || level ? ["any", "fall"] : ["any"];
      sets.forEach(function (set) {
        out[set + "Roll"] = Math.max(out[set + "Roll"], roll);
        out[set + "Pitch"] = Math.max(out[set + "Pitch"], pitch);
        out[set + "Stance"] = Math.max(out[set + "Stance"], stance);
      });
    });
    return out;
  }

  // The worst of the terrain's cells within a page cell; NaN where a wheel of any has no height.
  atlas.standAt = function (machine, row, col) {
    const h = atlas.data.heights;
    let worst = null;
    for (let i = 0; i < h.per_row; i += 1) {
      for (let j = 0; j < h.per_col; j += 1) {
        const one = stand(machine, h.row + row * h.per_row + i, h.col + col * h.per_col + j);
        if (!worst) { worst = one; continue; }
        Object.keys(one).forEach(function (k) { worst[k] = Math.max(worst[k], one[k]); });
      }
    }
    return worst;
  };

  // Downhill direction of a page cell, from the mean gradient: unit vector, or null on level ground.
  atlas.downhill = function (row, col) {
    const h = atlas.data.heights;
    let x = 0, y = 0, n = 0;
    for (let i = 0; i < h.per_row; i += 1) {
      for (let j = 0; j < h.per_col; j += 1) {
        const g = horn(h.row + row * h.per_row + i, h.col + col * h.per_col + j);
        if (!isNaN(g.steep)) { x += g.gx; y += g.gy; n += 1; }
      }
    }
    const length = Math.sqrt(x * x + y * y);
    return n && length / n > 1e-6 ? { east: -x / length, north: -y / length } : null;
  };
})(window.fieldAtlas);
