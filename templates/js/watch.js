// Following the position: says in words, pattern, sound and vibration what lies under and ahead of the machine.
// html[data-watch] is off, following, near, inside, across, outside, weak or none ("none": no position to be had).
(function (atlas) {
  "use strict";
  const data = window.FIELD_ATLAS, page = document.documentElement;
  const button = document.querySelector("button[data-do=watch]");
  page.dataset.watch = "off";
  if (!data || !button) { return; }
  const say = data.words, near = data.watch.near_m, KEEP_MS = 60000;
  const bar = document.getElementById("watch-bar"), head = bar.querySelector("[data-watch-head]");
  const more = bar.querySelector("[data-watch-more]"), lacks = document.querySelector("[data-watch-lacks]");
  let stop = null, fixes = [], way = null, now = null, sounded = null;

  function whole(metres) { return Math.max(0, Math.floor(metres)); }

  // "drop", "marking 2, wet spot" or the zone's own words.
  function what(at) {
    const v = atlas.verdictOf(choice(), at.row, at.col), r = data.reasons, own = atlas.ownMarkAt ? atlas.ownMarkAt(at.row, at.col) : "";
    if (own) { return own; }
    const tag = data.tags.find(function (t) { return t.tag === v.reason - r.tag; });
    if (tag) { return atlas.fill(say.watch_tag, { tag: tag.tag, kind: tag.kind }); }
    if (v.reason === r.drop || v.reason === r.drop_below) { return say.watch_drop; }
    return v.reason === r.unknown_edge ? say.watch_unknown_edge : say.zones[data.zones[v.zone]];
  }

  function lengths(metres) {
    const n = Math.floor(metres / atlas.watching.lengthOf(atlas.watching.machineOf(choice())));
    return atlas.fill(n < 1 ? say.watch_under_a_length : n < 2 ? say.watch_one_length : say.watch_lengths, { n: n });
  }

  function choice() { return atlas.choice(atlas.state.machine, atlas.state.ground, atlas.state.driver); }

  function aheadLines(found, fix) {
    const out = [], facts = { accuracy: Math.ceil(fix.accuracy) };
    function line(text, at) {
      out.push(atlas.fill(text, Object.assign(facts, { metres: whole(at.metres), what: at.what, lengths: lengths(at.metres) })));
    }
    if (found.state === "inside") {
      if (found.grade < 2) { line(say.watch_begins, { metres: found.around.off }); }
    } else if (found.state === "near") {
      line(say.watch_taken_off, { metres: found.ahead.metres });
    } else if (found.ahead) {
      line(way === null ? say.watch_around : say.watch_ahead, { metres: found.ahead.metres, what: what(found.ahead) });
    }
    if (found.edge !== null && found.zone !== 255 && (!found.ahead || found.edge < found.ahead.metres)) {
      line(say.watch_edge, { metres: found.edge });
    }
    if (way === null && !found.ahead) { out.push(say.watch_no_way); }
    return out;
  }

  const HEADS = {
    following: function () { return say.watch_following; },
    near: function (found) {
      return atlas.fill(way === null ? say.watch_near_around : say.watch_near,
        { what: what(found.ahead), metres: whole(found.ahead.metres) });
    },
    inside: function (found) {
      return atlas.fill(found.grade > 1 ? say.watch_inside : say.watch_maybe_inside,
        { what: what(found.grade > 1 ? found : found.around) });
    },
    across: function (found) { return atlas.fill(say.watch_across, { degrees: Math.round(found.off) }); },
    outside: function () { return say.watch_outside; },
    weak: function (found, fix) { return atlas.fill(say.watch_weak, { accuracy: Math.ceil(fix.accuracy) }); },
  };

  // The words, the state, and a signal where it is new or worse.
  function show(state, grade, text, lines) {
    page.dataset.watch = state;
    bar.hidden = state === "off";
    if (head.textContent !== text) { head.textContent = text; }
    more.replaceChildren.apply(more, lines.map(function (line) {
      const p = document.createElement("p");
      p.textContent = line;
      return p;
    }));
    atlas.makeRoom();
    if (state !== "off" && sounded && sounded(state, grade, Date.now())) {
      atlas.signals.warn(state === "weak" || state === "none" ? "lost" : state);
    }
  }

  function look() {
    const fix = fixes[fixes.length - 1];
    if (!fix || choice() < 0) { return; }
    now = atlas.watching.judge(choice(), fix, way, near);
    const lines = now.state === "weak" ? [atlas.fill(say.watch_weak_why, { metres: Math.max(10, near) })] : aheadLines(now, fix);
    show(now.state, now.grade, HEADS[now.state](now, fix), now.state === "following" ? lines.concat(say.watch_silence) : lines);
    atlas.machineOnMap.draw(fix, way, atlas.watching.machineOf(choice()), near);
  }

  function onFix(fix) {
    const first = !fixes.length;
    fixes = fixes.filter(function (f) { return fix.at - f.at < KEEP_MS; }).concat(fix);
    const found = atlas.watching.wayOf(fixes);
    way = found === null ? way : found;  // standing still, a machine faces the way it came
    look();
    atlas.machineOnMap.keepInView(fix, first);
  }

  function onFail(reason) {
    fixes = [];
    way = now = null;
    atlas.machineOnMap.remove();
    show(reason === "stale" ? "weak" : "none", 1, atlas.position.why(reason), [say.watch_no_warning]);
  }

  function begin() {
    sounded = null;
    show("none", 1, say.watch_waiting, [say.watch_no_warning]);
    sounded = atlas.watching.memory();
    atlas.signals.begin().then(function (words) {
      lacks.textContent = words.join(" ");
      lacks.hidden = !words.length;
    });
    atlas.bringMapIntoView();
    stop = atlas.position.follow(onFix, onFail);
  }

  function end() {
    stop();
    stop = null;
    fixes = [];
    way = now = null;
    atlas.signals.end();
    atlas.machineOnMap.remove();
    show("off", 1, "", []);
  }

  function press() {
    if (stop) { end(); } else { begin(); }
    button.setAttribute("aria-pressed", Boolean(stop));
    button.textContent = stop ? say.watch_stop : say.watch_start;
  }

  button.addEventListener("click", press);
  bar.querySelector("[data-do=watch-stop]").addEventListener("click", press);
  ["repainted", "atlas:closings"].forEach(function (name) {
    document.addEventListener(name, function () { if (stop) { look(); } });
  });

  // For tests: what the last fix came to.
  atlas.watchNow = function () { return { way: way, found: now, fix: fixes[fixes.length - 1] || null }; };
})(window.fieldAtlas);
