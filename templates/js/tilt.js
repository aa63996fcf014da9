// The machine's tilt as two straight rules with an end stop where the limit of the chosen machine, ground and driver
// lies, and a warning at four fifths of it and at it. html[data-tilt] is off, none (no sensor to be had), unset (not
// set to level), moved (by hand: no tilt), within, near or limit.
(function (atlas) {
  "use strict";
  const data = window.FIELD_ATLAS, page = document.documentElement;
  const button = document.querySelector("button[data-do=tilt]");
  page.dataset.tilt = "off";
  if (!data || !button) { return; }
  const say = data.words, bar = document.getElementById("tilt-bar"), NEAR = 0.8, OFF_MOUNT_DEG = 45;
  const SPAN = 1.25;  // a rule goes on this far past its end stop
  const BACK = 0.05;  // a warning ends this much of the limit below where it began
  const head = bar.querySelector("[data-tilt-head]"), note = bar.querySelector("[data-tilt-note]");
  let stop = null, level = null, now = null, sounded = null, grade = 0, movedSince = false;

  // {side, nose, grip}: end stops, rise over run. Grip bounds each of them too, since it bounds the steepness stood on.
  function stops() {
    const s = atlas.state, row = data.limits.find(function (l) {
      return l[0] === s.machine && l[1] === s.ground && l[2] === s.driver;
    });
    const grip = Math.min(row[5], row[6]);
    return { side: Math.min(row[3], grip), nose: Math.min(row[4], grip), grip: grip };
  }

  function percent(value) { return Math.round(100 * Math.abs(value)); }
  // Which of the three is nearest its stop, as a share of it, with its words.
  function worst(t, to) {
    const steep = Math.hypot(t.side, t.nose);
    return [
      { share: Math.abs(t.side) / to.side, words: sideWords(t, to) },
      { share: Math.abs(t.nose) / to.nose, words: noseWords(t, to) },
      { share: steep / to.grip, words: of(say.tilt_steep, steep, to.grip) },
    ].reduce(function (a, b) { return b.share > a.share + 1e-9 ? b : a; });
  }
  function of(text, found, limit) { return atlas.fill(text, { found: percent(found), limit: Math.floor(100 * limit + 0.1) }); }
  function sideWords(t, to) {
    const low = percent(t.side) < 1 ? say.tilt_side : t.side > 0 ? say.tilt_side_right : say.tilt_side_left;
    return of(low, t.side, to.side);
  }
  function noseWords(t, to) {
    return of(percent(t.nose) < 1 ? say.tilt_nose : t.nose > 0 ? say.tilt_nose_up : say.tilt_nose_down, t.nose, to.nose);
  }

  // A rule from −SPAN to SPAN of its limit, the mark where the machine is.
  function setRule(name, value, limit, words) {
    const rule = bar.querySelector("[data-rule=" + name + "]"), at = Math.max(-SPAN, Math.min(SPAN, value / limit));
    rule.querySelector("[data-rule-mark]").style.left = 50 + 50 * at / SPAN + "%";
    rule.querySelector("[data-rule-words]").textContent = words;
    const meter = rule.querySelector("[role=meter]");
    meter.setAttribute("aria-valuemin", -Math.round(100 * limit));
    meter.setAttribute("aria-valuemax", Math.round(100 * limit));
    meter.setAttribute("aria-valuenow", (value < 0 ? -1 : 1) * percent(value));
    meter.setAttribute("aria-valuetext", words);
  }

  function show(state, words, notes) {
    const rules = state === "within" || state === "near" || state === "limit";
    const before = page.dataset.tilt;
    page.dataset.tilt = state;
    bar.hidden = state === "off";
    bar.querySelector(".rules").hidden = !rules;
    head.hidden = !words;
    if (head.textContent !== words) { head.textContent = words; }
    if (note.textContent !== notes) { note.textContent = notes; }
    note.hidden = !notes;
    atlas.makeRoom();
    if (state !== "off" && sounded && sounded(state === "within" ? "following" : state, 1, Date.now())) {
      if (state === "limit") { atlas.signals.warn("limit"); }
      if (state === "near" && before !== "limit") { atlas.signals.warn("tilt"); }  // not on the way back
    }
  }

  // 0 within, 1 from four fifths on, 2 from the limit on.
  function gradeOf(share) {
    const up = share >= 1 ? 2 : share >= NEAR ? 1 : 0;
    if (up >= grade) { return up; }
    return Math.max(up, share >= 1 - BACK && grade === 2 ? 2 : share >= NEAR - BACK ? 1 : 0);
  }

  function tick(t) {
    atlas.level.tick(t);
    if (!stop) { return; }
    if (!level) { now = null; show("unset", say.tilt_unset, say.tilt_unset_why); return; }
    const found = atlas.tilting.attitude(t.up, level);
    if (t.moved || found.off > OFF_MOUNT_DEG) {
      now = null;
      movedSince = true;
      show("moved", t.moved ? say.tilt_moved : say.tilt_off_mount, "");
      return;
    }
    const to = stops(), most = worst(found, to);
    now = { side: found.side, nose: found.nose, stops: to, share: most.share };
    grade = gradeOf(most.share);
    setRule("side", found.side, to.side, sideWords(found, to));
    setRule("nose", found.nose, to.nose, noseWords(found, to));
    const words = grade === 0 ? "" : atlas.fill(grade === 2 ? say.tilt_limit : say.tilt_near, { what: most.words });
    show(["within", "near", "limit"][grade], words, movedSince ? say.tilt_moved_since : "");
  }

  function failed(reason) {
    now = null;
    show("none", say["tilt_" + reason], "");
  }

  function begin() {
    sounded = atlas.watching.memory();
    grade = 0;
    movedSince = false;
    show("none", say.tilt_waiting, "");
    atlas.signals.begin();
    atlas.level.open(function (found) { level = found; movedSince = false; });
    stop = atlas.gravity.follow(tick, failed);
  }
  function end() {
    stop();
    stop = now = level = null;
    atlas.level.close();
    atlas.signals.end();
    show("off", "", "");
  }
  function press() {
    if (stop) { end(); } else { begin(); }
    button.setAttribute("aria-pressed", Boolean(stop));
    button.textContent = stop ? say.tilt_stop : say.tilt_start;
  }

  button.addEventListener("click", press);
  bar.querySelector("[data-do=tilt-stop]").addEventListener("click", press);

  // For tests: the last reading, gradients; null where there is none.
  atlas.tiltNow = function () { return now; };
})(window.fieldAtlas);
