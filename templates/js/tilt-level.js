// Setting the tablet to level, step by step, and keeping that on the device: once per machine, since each has its own
// mount. A reading is the mean over two seconds in which nothing moved.
(function (atlas) {
  "use strict";
  const data = window.FIELD_ATLAS, panel = document.querySelector("[data-level]");
  if (!data || !panel) { return; }
  const say = data.words, KEY = "field-atlas-level", TICKS = 20, STEADY_DEG = 1;
  const text = panel.querySelector("[data-level-says]");
  let kept = {}, forgets = false, step = "", first = null, up = null, taking = null, changed = null;

  function button(name) { return panel.querySelector("[data-do=level-" + name + "]"); }

  function load() {
    try {
      const read = JSON.parse(window.localStorage.getItem(KEY) || "{}") || {};
      Object.keys(read).forEach(function (m) { if (atlas.tilting.checked(read[m])) { kept[m] = read[m]; } });
    } catch (e) { forgets = true; }
  }
  function keep(machine, level) {
    kept[machine] = level;
    try { window.localStorage.setItem(KEY, JSON.stringify(kept)); } catch (e) { forgets = true; }
  }

  function machine() { return data.machines.find(function (m) { return m.key === atlas.state.machine; }); }
  function day(level) {
    return new Date(level.at).toLocaleString(atlas.language, { day: "numeric", month: "long", hour: "2-digit", minute: "2-digit" });
  }

  // The newest level of another machine, to be offered where this one has none.
  function other() {
    return Object.keys(kept).filter(function (m) { return m !== atlas.state.machine; })
      .sort(function (a, b) { return Date.parse(kept[b].at) - Date.parse(kept[a].at); })[0];
  }

  const SHOWN = { first: ["read", "cancel"], second: ["read", "cancel"], third: ["square", "uphill", "cancel"],
    idle: ["begin"], offer: ["begin", "use"], hold: ["cancel"] };
  function show(words, buttons) {
    text.textContent = words + (forgets ? " " + say.level_forgets : "");
    panel.querySelectorAll("button").forEach(function (b) { b.hidden = SHOWN[buttons].indexOf(b.dataset.do.slice(6)) < 0; });
  }

  function idle() {
    const own = kept[atlas.state.machine], from = other();
    step = "";
    taking = null;
    button("begin").textContent = own ? say.level_again : say.level_begin;
    if (own) {
      show(atlas.fill(say.level_set, { machine: machine().label, day: day(own) }), "idle");
    } else if (from) {
      const named = data.machines.find(function (m) { return m.key === from; });
      show(atlas.fill(say.level_other, { machine_now: machine().label,
        machine: named ? named.label : from, day: day(kept[from]) }), "offer");
    } else {
      show(atlas.fill(say.level_none, { machine: machine().label }), "idle");
    }
    if (changed) { changed(own || null); }
  }

  function go(to, before) {
    step = to;
    show((before ? before + " " : "") + say["level_" + to], to);
  }

  function take(done) {
    taking = { done: done, ups: [], last: null };
    show(say.level_hold, "hold");
  }

  // The mean of a reading's ups, with the last orientation for telling how far the tablet was turned.
  function finish() {
    const t = taking, sum = t.ups.reduce(function (a, b) { return a.map(function (v, i) { return v + b[i]; }); });
    const mean = atlas.tilting.unit(sum), worst = Math.max.apply(null, t.ups.map(function (u) { return atlas.tilting.angle(u, mean); }));
    taking = null;
    if (worst > STEADY_DEG) { go(step, say.level_unsteady); return; }
    t.done({ up: mean, alpha: t.last.alpha, beta: t.last.beta, gamma: t.last.gamma });
  }

  function gotFirst(reading) { first = reading; go("second"); }
  function gotSecond(reading) {
    const level = atlas.tilting.levelFrom(first, reading);
    if (level.why) { go("first", say["level_" + level.why]); return; }
    up = level.up;
    go("third");
  }
  function gotUphill(reading) {
    const ahead = atlas.tilting.aheadUphill(up, reading.up);
    if (ahead) { save(ahead); } else { go("third", say.level_too_flat); }
  }
  function save(ahead) {
    keep(atlas.state.machine, { up: up, ahead: ahead, at: new Date().toISOString() });
    idle();
  }

  function screenTurn() {
    return window.screen.orientation ? window.screen.orientation.angle : Number(window.orientation) || 0;
  }

  const PRESSED = {
    begin: function () { go("first"); },
    read: function () { take(step === "first" ? gotFirst : gotSecond); },
    square: function () { save(atlas.tilting.aheadSquare(up, screenTurn())); },
    uphill: function () { take(gotUphill); },
    cancel: idle,
    use: function () { keep(atlas.state.machine, kept[other()]); idle(); },
  };
  Object.keys(PRESSED).forEach(function (name) { button(name).addEventListener("click", PRESSED[name]); });

  atlas.level = {
    // Opens the panel; onChange(level or null) is called now and whenever it changes.
    open: function (onChange) { changed = onChange; panel.hidden = false; idle(); },
    close: function () { changed = null; panel.hidden = true; taking = null; },
    tick: function (t) {
      if (!taking) { return; }
      if (t.moved) { go(step, say.level_unsteady); taking = null; return; }
      taking.ups.push(t.raw);
      taking.last = t;
      if (taking.ups.length >= TICKS) { finish(); }
    },
  };
  load();
  document.addEventListener("repainted", function () { if (changed && !step) { idle(); } });
})(window.fieldAtlas);
