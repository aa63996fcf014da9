// Where a mark lies: the device's own position, a tap, or a line or area by its corners or by walking it.
//   atlas.placing.start(how, tell): how is "here", "tap", "tap-line", "walk-line", "tap-area" or "walk-area";
//   tell({text, ready, undo, placed, walked}) on every change. finish() → {geometry, accuracy}, or {why}; undo(); stop()
(function (atlas) {
  "use strict";
  const data = window.FIELD_ATLAS;
  if (!data) { return; }
  const say = data.mark_words, box = data.picture;
  const GOOD_M = 15, ROUGH_M = 100, WALK_M = 30;  // accuracy that is taken at once, at most, and while walking
  const LEAST_M = 2, FINGER_PX = 12, STEP_M = 2, AROUND_M = 60;
  const TYPES = { line: "LineString", area: "Polygon" };
  let now = null;

  function beyond(p) {
    return p.x < box.west - AROUND_M || p.x > box.east + AROUND_M || p.y < box.south - AROUND_M || p.y > box.north + AROUND_M;
  }
  // A finger covers some screen, and the screen some ground.
  function tapAccuracy() { return Math.max(LEAST_M, Math.round(10 * FINGER_PX / Math.pow(2, atlas.map.getZoom())) / 10); }
  function good() { return { accuracy: atlas.upMetres(now.accuracy) }; }
  function enough() { return now.points.length >= { Point: 1, LineString: 2, Polygon: 3 }[now.type]; }

  function walking() { return !now.tapped && now.type !== "Point"; }

  function show(text, placed) {
    atlas.drawDraft(now.type, now.points);
    now.tell({ text: text, ready: enough(), undo: now.tapped && now.type !== "Point" && now.points.length > 0,
      placed: placed || "", walked: walking() ? { type: now.type, accuracy: now.accuracy, points: now.points } : null });
  }

  function tapped(x, y) {
    const p = { x: x, y: y };
    if (beyond(p)) { show(say.too_far); return; }
    now.accuracy = Math.max(now.type === "Point" ? 0 : now.accuracy, tapAccuracy());
    now.points = now.type === "Point" ? [p] : now.points.concat([p]);
    if (now.type === "Point") { show(atlas.fill(say.placed, good()), "tap"); } else { cornersSaid(); }
  }
  function cornersSaid() {
    const ask = now.type === "Polygon" ? say.place_area : say.place_line;
    show(ask + " " + atlas.fill(say.corners, { count: now.points.length }));
  }

  // The best position so far; one that is good is taken without asking.
  function here(fix) {
    const word = { accuracy: atlas.upMetres(fix.accuracy) };
    if (beyond(fix)) { show(say.too_far); return; }
    if (fix.accuracy > ROUGH_M) { show(atlas.fill(say.too_rough, word)); return; }
    if (!now.points.length || fix.accuracy <= now.accuracy) {
      now.points = [{ x: fix.x, y: fix.y }];
      now.accuracy = fix.accuracy;
    }
    show(atlas.fill(say.here_weak, good()), now.accuracy <= GOOD_M ? "here" : "");
  }

  function walked(fix) {
    const last = now.points[now.points.length - 1], word = { accuracy: atlas.upMetres(fix.accuracy) };
    if (beyond(fix)) { show(say.too_far); return; }
    if (fix.accuracy > WALK_M) { show(atlas.fill(say.walk_weak, word)); return; }
    if (!last || Math.hypot(fix.x - last.x, fix.y - last.y) >= STEP_M) {
      now.points.push({ x: fix.x, y: fix.y });
      now.accuracy = Math.max(now.accuracy, fix.accuracy);
    }
    const told = { length: atlas.upMetres(atlas.shapes.lengthOf(now.points)), count: now.points.length };
    const ask = now.type === "Polygon" ? say.walk_area : say.walk_line;
    show([ask, atlas.fill(say.walked, Object.assign(told, word)), now.dark ? say.walk_dark : ""].join(" ").trim());
  }

  function follow(onFix) {
    const mine = now;
    show(say.waiting);
    const stop = atlas.position.follow(function (fix) { if (now === mine) { onFix(fix); } },
      function (reason) { if (now === mine) { show(atlas.position.why(reason)); } });
    if (now === mine) { now.stop = stop; } else { stop(); }
  }

  // A screen that goes dark ends a walk: it is kept awake where the browser can, else that is said.
  function wake() {
    const mine = now;
    now.awake = true;
    atlas.signals.begin().then(function (lacks) {
      mine.dark = lacks.indexOf(data.words.no_wake_lock) >= 0;
    });
  }

  function start(how, tell) {
    halt();
    const parts = how.split("-");
    now = { tell: tell, type: TYPES[parts[1]] || "Point", tapped: parts[0] === "tap", points: [], accuracy: 0,
      stop: null, awake: false, dark: false };
    if (now.tapped) {
      atlas.takePlace = tapped;
      show(now.type === "Point" ? say.place_tap : now.type === "Polygon" ? say.place_area : say.place_line);
    } else {
      if (walking()) { wake(); }
      follow(parts[0] === "here" ? here : walked);
    }
  }

  function finish() {
    const points = walking() ? atlas.shapes.fewEnough(now.points, atlas.shapes.TOLERANCE_M) : now.points;
    const geometry = atlas.shapes.geometryOf(now.type, points);
    if (!geometry) { return { why: now.type === "Polygon" ? say.too_few_area : say.too_few_line }; }
    const found = { geometry: geometry, accuracy: Math.ceil(now.accuracy * 10) / 10 };
    halt();
    return found;
  }
  function undo() {
    now.points.pop();
    cornersSaid();
  }
  function halt() {
    if (!now) { return; }
    if (now.stop) { now.stop(); }
    if (now.awake) { atlas.signals.end(); }
    now = null;
    atlas.takePlace = null;
    atlas.drawDraft("Point", []);
  }

  atlas.placing = { start: start, finish: finish, undo: undo, stop: halt };
})(window.fieldAtlas);
