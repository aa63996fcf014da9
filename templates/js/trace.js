// The outline of a set of cells as path data: the same walk and the same string as picture_rings.py.
(function (atlas) {
  "use strict";

  function edges(inside, rows, cols) {
    const wide = cols + 1, out = new Uint8Array((rows + 1) * wide);
    function at(r, c) { return r >= 0 && c >= 0 && r < rows && c < cols && inside(r * cols + c); }
    for (let r = 0; r <= rows; r += 1) {
      for (let c = 0; c <= cols; c += 1) {
        const here = at(r, c), up = at(r - 1, c), left = at(r, c - 1), diagonal = at(r - 1, c - 1);
        out[r * wide + c] = (here && !up ? 1 : 0) | (left && !here ? 2 : 0) |
          (diagonal && !left ? 4 : 0) | (up && !diagonal ? 8 : 0);
      }
    }
    return out;
  }

  function ring(left, start, wide) {
    const step = [1, wide, -1, -wide];
    let corner = start, heading = 0, run = 0, out = "";
    for (;;) {
      left[corner] &= ~(1 << heading);
      corner += step[heading];
      run += 1;
      if (corner === start && !(left[corner] & 1 << (heading + 1 & 3))) { return out; }
      let ahead = heading + 1 & 3;
      if (!(left[corner] & 1 << ahead)) { ahead = heading; }
      if (!(left[corner] & 1 << ahead)) { ahead = heading + 3 & 3; }
      if (ahead !== heading) {
        out += "hvhv"[heading] + (heading < 2 ? run : -run);
        heading = ahead;
        run = 0;
      }
    }
  }

  // inside(k) says whether cell k (row by row) belongs to the set.
  atlas.rings = function (inside, rows, cols) {
    const left = edges(inside, rows, cols), wide = cols + 1;
    let out = "";
    for (let k = 0; k < left.length; k += 1) {
      if (left[k] & 1) { out += "M" + k % wide + " " + Math.floor(k / wide) + ring(left, k, wide) + "z"; }
    }
    return out;
  };

  // Where strokes stand: on a lattice, then wherever ground would be left without one nearby.
  atlas.strokePlaces = function (inside, rows, cols, every, apart) {
    const wide = Math.floor(cols / apart) + 3, taken = new Uint8Array((Math.floor(rows / apart) + 3) * wide);
    const places = [], first = Math.floor(every / 2);
    function bucket(r, c) { return (Math.floor(r / apart) + 1) * wide + Math.floor(c / apart) + 1; }
    function put(r, c) { places.push([r, c]); taken[bucket(r, c)] = 1; }
    for (let r = first; r < rows; r += every) {
      for (let c = first; c < cols; c += every) { if (inside(r * cols + c)) { put(r, c); } }
    }
    for (let r = 0; r < rows; r += 1) {
      for (let c = 0; c < cols; c += 1) {
        if (!inside(r * cols + c)) { continue; }
        const b = bucket(r, c);
        let near = 0;
        for (let i = -wide; i <= wide; i += wide) { near |= taken[b + i - 1] | taken[b + i] | taken[b + i + 1]; }
        if (!near) { put(r, c); }
      }
    }
    return places;
  };
})(window.fieldAtlas);
