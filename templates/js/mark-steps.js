// Marking, step by step, in few and large buttons: what, how soft, where. The mark is kept as soon as its place is known;
// note and picture come after. A slip is kept without asking anything more.
(function (atlas) {
  "use strict";
  const data = window.FIELD_ATLAS, page = document.documentElement;
  if (!data || !page.classList.contains("ready")) { return; }
  const about = data.marking, say = data.mark_words, dock = document.getElementById("mark-dock"), TYPING_MS = 700;
  let draft = null, open = null, from = null, typing = 0, walked = 0;

  function part(name) { return dock.querySelector("[data-mark=" + name + "]"); }
  function step(name) {
    dock.querySelectorAll("[data-step]").forEach(function (box) {
      box.hidden = box.dataset.step !== name;
      if (!box.hidden) { part("title").textContent = box.dataset.title; }
    });
    dock.dataset.step = name;
    room();
  }

  // The map stands above the dock, and whom to ring stays in sight below it.
  function room() {
    const bars = document.querySelector(".aid-bars");
    page.style.setProperty("--bars", (bars ? bars.offsetHeight : 0) + "px");
    page.style.setProperty("--ring", document.querySelector(".first-ring").offsetHeight + "px");
    page.style.setProperty("--dock", dock.offsetHeight + "px");
    page.style.setProperty("--below", document.querySelector(".map-bar").offsetHeight + "px");
  }
  function begin(name) {
    from = document.activeElement;
    dock.hidden = false;
    page.classList.add("marks-now");
    step(name);
    part("title").focus();
  }
  function stop() {
    atlas.placing.stop();
    saveTyped();
    draft = open = null;
    dock.hidden = true;
    page.classList.remove("marks-now");
    widen(false);
    atlas.markWalk.show();
    if (from && from.isConnected) { from.focus({ preventScroll: true }); }
  }

  function startMark() {
    atlas.placing.stop();
    draft = {};
    begin("kind");
  }
  function chooseKind(kind) {
    draft.kind = kind;
    step(about.kinds[kind].graded ? "severity" : "place");
  }
  function chooseSeverity(severity) {
    draft.severity = severity;
    if (draft.word) { keepAnswer(); } else { step("place"); }
  }

  function choosePlace(how) {
    step("placing");
    if (atlas.hush && data.drives.length) { atlas.hush(); }
    walked = 0;
    atlas.placing.start(how, placing);
    widen(how !== "here");
  }
  // While a place is pointed at, the map takes what the dock leaves of the screen.
  function widen(on) {
    if (page.classList.contains("placing") === on) { return; }
    page.classList.toggle("placing", on);
    atlas.map.invalidateSize({ animate: false });
    if (!on) { return; }
    if (atlas.bringMapIntoView) { atlas.bringMapIntoView(); } else { document.querySelector(".map-frame").scrollIntoView(); }
  }
  function placing(now) {
    part("how").textContent = now.text;
    const done = dock.querySelector("[data-do=mark-done]"), undo = dock.querySelector("[data-do=mark-undo]");
    done.hidden = !now.ready;
    undo.hidden = !now.undo;
    if (now.walked && now.walked.points.length > walked) {
      walked = now.walked.points.length;
      atlas.markWalk.remember(Object.assign({}, draft, now.walked), now.walked.points);
    }
    room();
    if (now.placed === "here" || now.placed && draft.kind === "slip") { place(); }
  }
  function place() {
    const found = atlas.placing.finish();
    if (found.why) { part("how").textContent = found.why; return; }
    widen(false);
    keep(Object.assign({}, draft, found));
  }

  function keep(told) {
    const record = atlas.markRecords.make(told, atlas.marks.list);
    edit(record);
    part("kept").textContent = say.keeping;
    atlas.marks.add(record).then(function () {
      if (open === record) { report(); }
      if (walked && !atlas.marks.problem(record)) { walked = 0; atlas.markWalk.forget(); }
    });
  }
  atlas.keepMark = function (told) {  // what was walked before the page was closed
    begin("kept");
    walked = 1;
    keep(told);
  };
  function report() {
    const problem = atlas.marks.problem(open);
    part("kept").textContent = problem || (open.sign ? atlas.fill(say.kept, open) : say.answered);
    part("closed").textContent = atlas.markRecords.closes(open) ? say.closed_now : "";
    room();
  }

  function edit(record) {
    open = record;
    part("note").value = record.note;
    part("by").value = record.by;
    part("camera").value = "";
    part("picture").textContent = record.picture ? say.picture_kept : "";
    step("kept");
  }
  atlas.editMark = function (record) {
    begin("kept");
    edit(record);
    report();
  };

  // What is typed is kept while it is typed.
  function saveTyped() {
    clearTimeout(typing);
    if (!open) { return; }
    const plain = atlas.markRecords.plainText;
    const told = { note: plain(part("note").value, about.note), by: plain(part("by").value, about.by) };
    if (told.note !== open.note || told.by !== open.by) { change(told); }
  }
  function change(patch) {
    const record = Object.assign(open, patch);
    part("kept").textContent = say.keeping;
    return atlas.marks.change(record, patch).then(function () { if (open === record) { report(); } });
  }
  function photograph(file) {
    const record = open;
    if (!file) { return; }
    atlas.smallPicture(file).then(function (picture) {
      const done = open === record ? change({ picture: picture }) : atlas.marks.change(record, { picture: picture });
      return done.then(function () {
        if (open === record) { part("picture").textContent = atlas.marks.problem(record) ? "" : say.picture_kept; }
      });
    }).catch(function () { if (open === record) { part("picture").textContent = say.picture_no; } });
  }

  // "Still there" asks how soft a wet spot is now; of anything else the severity on file stands.
  function answer(box, word) {
    const tag = about.tags[box.dataset.hazard];
    draft = { word: word, about: box.dataset.hazard, kind: tag.kind, severity: word === "gone" ? null : tag.severity };
    if (word === "still there" && about.kinds[tag.kind].graded) { begin("severity"); } else { begin("kept"); keepAnswer(); }
  }
  function keepAnswer() { keep(draft); }

  function on(selector, name, act) {
    document.querySelectorAll(selector).forEach(function (e) { e.addEventListener(name, function () { act(e); }); });
  }
  on("[data-do=mark]", "click", startMark);
  on("[data-do=mark-stop]", "click", stop);
  on("[data-do=mark-finish]", "click", stop);
  on("[data-do=mark-done]", "click", place);
  on("[data-do=mark-undo]", "click", function () { atlas.placing.undo(); });
  on("#mark-dock [data-kind]", "click", function (b) { chooseKind(b.dataset.kind); });
  on("#mark-dock [data-severity]", "click", function (b) { chooseSeverity(Number(b.dataset.severity)); });
  on("#mark-dock [data-place]", "click", function (b) { choosePlace(b.dataset.place); });
  on("[data-do=still]", "click", function (b) { answer(b.closest(".answers"), "still there"); });
  on("[data-do=gone]", "click", function (b) { answer(b.closest(".answers"), "gone"); });
  on("[data-mark=note], [data-mark=by]", "input", function () {
    clearTimeout(typing);
    typing = setTimeout(saveTyped, TYPING_MS);
  });
  on("[data-mark=note], [data-mark=by]", "change", saveTyped);
  on("[data-mark=camera]", "change", function (e) { photograph(e.files[0]); });
  part("note").maxLength = about.note;
  part("by").maxLength = about.by;
  dock.addEventListener("keydown", function (e) { if (e.key === "Escape") { stop(); } });
  document.addEventListener("visibilitychange", saveTyped);
  window.addEventListener("resize", room);
  atlas.redrawMarks();
})(window.fieldAtlas);
