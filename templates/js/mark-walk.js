// A walk that is not "Done" yet, kept on the device point by point: a page may be closed, a glove may press the wrong
// button, or a battery may die on the way round.
//   atlas.markWalk.remember(told, points), told = {kind, severity, type, accuracy}; forget()
(function (atlas) {
  "use strict";
  const data = window.FIELD_ATLAS;
  if (!data) { return; }
  const about = data.marking, say = data.mark_words, ID = "walk " + about.farm + " " + data.field_id;
  const MOST_POINTS = 20000, ROUGHEST_M = 1000;
  const box = document.querySelector("[data-mark=walk]");
  let walk = null;

  function isWalk(r) {
    return Boolean(r) && r.id === ID && Object.prototype.hasOwnProperty.call(about.kinds, r.kind) &&
      [null, 1, 2, 3].indexOf(r.severity) >= 0 && ["LineString", "Polygon"].indexOf(r.type) >= 0 &&
      r.accuracy >= 0 && r.accuracy <= ROUGHEST_M && Array.isArray(r.points) && r.points.length <= MOST_POINTS &&
      r.points.every(function (p) { return p && Number.isFinite(p.x) && Number.isFinite(p.y); });
  }

  function show(sentence) {
    box.hidden = !walk;
    if (!walk) { return; }
    const told = { what: atlas.markRecords.what(walk), count: walk.points.length };
    box.querySelector("p").textContent = sentence || atlas.fill(say.broken_off, told);
  }

  function remember(told, points) {
    walk = { id: ID, kind: told.kind, severity: told.severity || null, type: told.type, accuracy: told.accuracy,
      points: points.slice() };
    const mine = walk;
    return atlas.marks.ready.then(function () { return atlas.markStore.put(mine); }).catch(function () {});
  }
  function forget() {
    walk = null;
    show();
    return atlas.marks.ready.then(function () { return atlas.markStore.drop(ID); }).catch(function () {});
  }

  function keep() {
    const geometry = atlas.shapes.geometryOf(walk.type, atlas.shapes.fewEnough(walk.points, atlas.shapes.TOLERANCE_M));
    if (!geometry) { show(walk.type === "Polygon" ? say.too_few_area : say.too_few_line); return; }
    atlas.keepMark({ kind: walk.kind, severity: walk.severity, geometry: geometry, accuracy: walk.accuracy });
  }

  atlas.marks.ready.then(function () { return atlas.markStore.all(); }).then(function (all) {
    walk = walk || all.find(isWalk) || null;
    show();
  }).catch(function () {});
  document.querySelector("[data-do=mark-walk-keep]").addEventListener("click", keep);
  document.querySelector("[data-do=mark-walk-away]").addEventListener("click", forget);
  atlas.markWalk = { remember: remember, forget: forget, show: show };
})(window.fieldAtlas);
