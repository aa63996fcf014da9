// The field's cells: which verdict each choice gives at a cell, and the heights under a machine.
(function (atlas) {
  "use strict";
  const data = window.FIELD_ATLAS;
  atlas.data = data;
  if (!data) { return; }
  const cells = data.cells;

  const packed = data.verdicts;
  const index = packed ? atlas.unpackWide(packed.index) : null;
  const rows = packed ? atlas.unpack(packed.rows) : null;
  const choices = data.drives.length;

  // The number of a choice in the data, or −1.
  atlas.choice = function (machine, ground, driver) {
    return data.drives.findIndex(function (d) {
      return d.machine === machine && d.ground === ground && d.driver === driver;
    });
  };

  // {zone, reason, flags} of a choice at a cell; zone 255 outside the field.
  atlas.verdictOf = function (choice, row, col) {
    if (!packed || choice < 0 || row < 0 || col < 0 || row >= cells.rows || col >= cells.cols) {
      return { zone: 255, reason: 255, flags: 0 };
    }
    const s = packed.symbols[rows[index[row * cells.cols + col] * choices + choice]];
    return { zone: s[0], reason: s[1], flags: s[2] };
  };

  // One part (0 zone, 1 reason, 2 flags) of every cell for a choice, row by row.
  atlas.gridOf = function (choice, part) {
    const out = new Uint8Array(index.length);
    for (let k = 0; k < out.length; k += 1) { out[k] = packed.symbols[rows[index[k] * choices + choice]][part]; }
    return out;
  };

  // Every cell's zone as it counts on this device: what was marked on it closes ground too (atlas.ownClosings, one
  // entry per cell). A mark never opens any.
  atlas.zonesNow = function (choice) {
    const zones = atlas.gridOf(choice, 0), own = atlas.ownClosings, shut = data.zones.indexOf("keep_out");
    if (own) { for (let k = 0; k < zones.length; k += 1) { if (own[k] && zones[k] < shut) { zones[k] = shut; } } }
    return zones;
  };

  // Metres in the terrain's grid → cell. Rows run south.
  atlas.cellAt = function (x, y) {
    return { row: Math.floor((cells.north - y) / cells.y), col: Math.floor((x - cells.west) / cells.x) };
  };

  let heights = null;
  atlas.heights = function () {
    if (heights) { return heights; }
    const h = data.heights, parts = h.data.split(" "), folded = atlas.unpackWide(parts[0]);
    const z = new Float64Array(h.rows * h.cols), sum = new Int32Array(h.cols);
    const gaps = parts.length > 1 ? atlas.unpack(parts[1]) : null;
    for (let r = 0, k = 0; r < h.rows; r += 1) {
      let along = 0;
      for (let c = 0; c < h.cols; c += 1, k += 1) {
        const f = folded[k];
        along += f & 1 ? -((f + 1) >> 1) : f >> 1;
        sum[c] += along;
        const gap = !gaps || gaps[k >> 3] >> (7 - (k & 7)) & 1;
        z[k] = gap ? NaN : h.low + (sum[c] - 1) * 0.001;
      }
    }
    heights = z;
    return z;
  };
})(window.fieldAtlas);
