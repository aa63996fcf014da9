// What was marked on this device, on the map: a sign of its own, and closed ground where a mark closes it. A mark never
// opens anything.
//   atlas.closedHere(x, y) → null, or {mark, why}: no wheel may stand there, by a mark made on this device
//   atlas.marksTold(x, y) → sentences for marks near by that close nothing
(function (atlas) {
  "use strict";
  const data = window.FIELD_ATLAS;
  if (!data) { return; }
  const about = data.marking, say = data.mark_words, cells = data.cells, picture = data.picture;
  const SVG = "http://www.w3.org/2000/svg", ACCURACY_M = 2, BOX_MM = 4.6;
  let shown = [], layer = null, draft = null;

  // Half the chosen machine's extent; the largest one's where none is chosen.
  function halfExtent() {
    const chosen = data.machines.filter(function (m) { return m.key === (atlas.state || {}).machine; });
    return (chosen.length ? chosen : data.machines).reduce(function (most, m) { return Math.max(most, m.half_extent); }, 0);
  }
  function accuracyOf(r) { return r.accuracy === null ? ACCURACY_M : r.accuracy; }
  // Metres from the marking to where the machine's middle may come.
  function reachOf(m) {
    const r = m.record;
    if (m.reach) { return m.reach + halfExtent(); }
    const foot = about.kinds[r.kind].closes === null && !about.kinds[r.kind].graded;
    return about.kinds[r.kind].reach + accuracyOf(r) + (foot ? 0 : halfExtent());
  }

  // New marks of this farm that this map does not show yet, wherever they were made, near enough to be drawn.
  function collect() {
    shown = atlas.marks.list.filter(function (r) { return r.word === "new" && !r.away && !about.tags[r.id]; })
      .map(function (r) { return { record: r, shape: atlas.shapes.shapeOf(r.geometry), closes: atlas.markRecords.closes(r) }; })
      .filter(function (m) { return m.shape; }).concat(worse());
  }
  // Wet spots of the map that by the last word given on this device have become as bad as what is closed.
  function worse() {
    return Object.keys(about.tags).filter(function (id) { return about.tags[id].ground; }).map(function (id) {
      const tag = about.tags[id], said = atlas.marks.list.filter(function (r) { return r.about === id && !r.away; }).pop();
      const bad = said && said.word === "still there" && said.severity >= about.kinds[tag.kind].closes;
      const record = bad ? Object.assign({}, said, { sign: String(tag.tag), kind: tag.kind }) : null;
      return { record: record, shape: tag.ground, closes: true, reach: tag.reach, mapped: true };
    }).filter(function (m) { return m.record; });
  }
  function near(m, x, y) { return atlas.shapes.distance(m.shape, x, y) <= reachOf(m); }
  function words(text, m) { return atlas.fill(text, { sign: m.record.sign, what: atlas.markRecords.what(m.record) }); }

  atlas.closedHere = function (x, y) {
    const found = shown.find(function (m) { return m.closes && near(m, x, y); });
    return found ? { mark: found.record, why: words(say.tell, found) } : null;
  };
  atlas.marksTold = function (x, y) {
    return shown.filter(function (m) { return !m.closes && near(m, x, y); })
      .map(function (m) { return words(say.tell_near, m); });
  };
  // Those that close ground on this field's own map.
  atlas.closingMarks = function () { return shown.filter(function (m) { return m.closes && onMap(m.shape); }); };
  function onMap(shape) {
    return shape.points.some(function (p) {
      return p.x >= picture.west && p.x <= picture.east && p.y >= picture.south && p.y <= picture.north;
    });
  }

  function element(name, attributes) {
    const e = document.createElementNS(SVG, name);
    Object.keys(attributes).forEach(function (key) { e.setAttribute(key, attributes[key]); });
    return e;
  }
  function place(p) { return (p.x - picture.west).toFixed(2) + " " + (picture.north - p.y).toFixed(2); }
  function lineOf(shape) {
    return "M" + shape.points.map(place).join("L") + (shape.type === "Polygon" ? "z" : "");
  }

  // Cells any part of which a mark closes, by 1 + the mark's place in `shown`: as on the map itself, a cell shows the
  // worst within it. Null where nothing is closed.
  function closings() {
    const closing = shown.filter(function (m) { return m.closes; }), spare = Math.hypot(cells.x, cells.y) / 2;
    if (!closing.length) { return null; }
    const out = new Uint16Array(cells.rows * cells.cols);
    for (let k = 0; k < out.length; k += 1) {
      const x = cells.west + (k % cells.cols + 0.5) * cells.x, y = cells.north - (Math.floor(k / cells.cols) + 0.5) * cells.y;
      out[k] = 1 + shown.findIndex(function (m) {
        return m.closes && inBox(m, x, y, spare) && atlas.shapes.distance(m.shape, x, y) <= reachOf(m) + spare;
      });
    }
    return out;
  }
  // "mark A, a machine slipped here" where such a mark closes a cell, else "".
  atlas.ownMarkAt = function (row, col) {
    const own = atlas.ownClosings, inside = row >= 0 && col >= 0 && row < cells.rows && col < cells.cols;
    const n = own && inside ? own[row * cells.cols + col] : 0;
    return n ? words(say.own, shown[n - 1]) : "";
  };
  function inBox(m, x, y, spare) {
    const far = reachOf(m) + spare;
    m.box = m.box || m.shape.points.reduce(function (b, p) {
      return { w: Math.min(b.w, p.x), e: Math.max(b.e, p.x), s: Math.min(b.s, p.y), n: Math.max(b.n, p.y) };
    }, { w: Infinity, e: -Infinity, s: Infinity, n: -Infinity });
    return x >= m.box.w - far && x <= m.box.e + far && y >= m.box.s - far && y <= m.box.n + far;
  }
  function hatch() {
    const moved = "translate(" + place({ x: cells.west, y: cells.north }) + ") scale(" + cells.x + " " + cells.y + ")";
    const g = element("g", { "clip-path": "url(#field-clip)" }), inner = element("g", { transform: moved });
    inner.append(element("path", { class: "zone keep_out own-closed", fill: "url(#moving-keep_out)",
      d: atlas.rings(function (k) { return atlas.ownClosings[k] > 0; }, cells.rows, cells.cols) }));
    g.append(inner);
    return g;
  }

  function cross(p) {
    const g = element("g", { transform: "translate(" + place(p) + ") scale(" + picture.mm + ")" });
    const m = element("g", { class: "mark" });
    m.append(element("path", { class: "marking own-line", d: "M-1-1l2 2m0-2l-2 2" }));
    g.append(m);
    return g;
  }
  function drawing(shape) {
    return shape.type === "Point" ? cross(shape.points[0]) : element("path", { class: "marking own-line", d: lineOf(shape) });
  }
  function sign(m) {
    const text = m.record.sign, wide = BOX_MM + 1.4 * Math.max(0, text.length - 1), half = BOX_MM / 2;
    const g = element("g", { transform: "translate(" + place(atlas.shapes.middle(m.shape)) + ") scale(" + picture.mm + ")" });
    const inner = element("g", { class: "mark", "data-own": text });
    const label = element("text", { class: "tag-number" + (m.record.handed_at ? "" : " own-sign"), x: 0, y: 1.15 });
    label.textContent = text;
    const box = { class: "own-box" + (m.record.handed_at ? " handed" : ""), x: -wide / 2, y: -half, width: wide, height: BOX_MM };
    inner.append(element("rect", box), label);
    g.append(inner);
    return g;
  }

  function draw() {
    collect();
    atlas.ownClosings = closings();
    document.dispatchEvent(new Event("atlas:closings"));
    if (!atlas.picture) { return; }
    const next = element("g", { class: "own-marks" });
    if (atlas.ownClosings) { next.append(hatch()); }
    const own = shown.filter(function (m) { return !m.mapped; });
    own.forEach(function (m) { next.append(drawing(m.shape)); });
    own.forEach(function (m) { next.append(sign(m)); });
    if (layer) { layer.replaceWith(next); } else { atlas.picture.append(next); }
    layer = next;
    signs();
  }

  // The legend's lines and the sentence above the map, once there is something to say.
  function signs() {
    const open = shown.some(function (m) { return !m.mapped && !m.record.handed_at; });
    const handed = shown.some(function (m) { return !m.mapped && m.record.handed_at; });
    document.querySelectorAll("[data-mark=sign]").forEach(function (line, k) { line.hidden = k ? !handed : !open; });
    const banner = document.querySelector("[data-mark=banner]");
    const text = atlas.closingMarks().map(function (m) { return words(say.banner, m); }).join(" ");
    banner.hidden = !text;
    if (banner.textContent !== text) { banner.textContent = text; }
  }

  // What is being placed just now, before it is a mark.
  atlas.drawDraft = function (type, points) {
    if (draft) { draft.remove(); draft = null; }
    if (!points.length) { return; }
    draft = element("g", { class: "own-draft" });
    if (points.length > 1 && type !== "Point") { draft.append(drawing({ type: type, points: points })); }
    (type === "Point" ? points.slice(-1) : points).forEach(function (p) { draft.append(cross(p)); });
    atlas.picture.append(draft);
  };

  atlas.redrawMarks = draw;
  document.addEventListener("atlas:marks", draw);
  document.addEventListener("repainted", draw);
})(window.fieldAtlas);
