// Choosing: fields by a tick, then machine, ground and who for each; every change makes the sheet anew.
(function (atlas) {
  "use strict";
  const ticks = Array.from(document.querySelectorAll("input[data-field]"));
  const sheet = document.querySelector(".dy-sheet"), sets = document.querySelector(".dy-sets");
  const labels = JSON.parse(sheet.dataset.labels), say = atlas.dayWords;
  const chosen = new Map();

  function make(tag, text, name) {
    const e = document.createElement(tag);
    if (name) { e.className = name; }
    if (text) { e.textContent = text; }
    return e;
  }

  function select(name, list, one, key) {
    const box = make("label", name + " "), shown = make("span", "", "picked"), word = make("span"), pick = make("select");
    pick.dataset.pick = key;
    list.forEach(function (l) {
      const o = make("option", l.label);
      o.value = l.key;
      o.selected = l.key === one[key];
      pick.append(o);
    });
    pick.addEventListener("change", function () { one[key] = pick.value; atlas.spell(pick); again(); });
    word.setAttribute("aria-hidden", "true");
    shown.append(word, pick);
    box.append(shown);
    atlas.spell(pick);
    return box;
  }

  // A worse ground than the one that counts may be chosen, never a better.
  function allowed(one) {
    const counts = atlas.dayReleased(one.field, Date.now()).ground, may = one.field.may_choose[counts] || [counts];
    if (may.indexOf(one.ground) < 0) { one.ground = counts; }
    return one.field.grounds.filter(function (g) { return may.indexOf(g.key) >= 0; });
  }

  function row(one) {
    const item = make("li"), picks = make("div", "", "dy-picks"), who = make("label", say.who + " "), input = make("input");
    item.dataset.of = one.slug;
    item.append(make("b", one.number + " " + one.field.name));
    if (one.field.drives.length) {
      picks.append(select(labels[0], one.field.machines, one, "machine"), select(labels[1], allowed(one), one, "ground"),
        select(labels[2], one.field.drivers, one, "driver"));
    }
    input.maxLength = 100;
    input.value = one.who;
    input.addEventListener("input", function () { one.who = input.value; atlas.daySheet(Array.from(chosen.values())); });
    who.append(input);
    picks.append(who);
    item.append(picks);
    return item;
  }

  function again() {
    const all = Array.from(chosen.values());
    all.forEach(allowed);
    atlas.daySheet(all);
    document.querySelector(".dy-set").hidden = !all.length;
  }

  // In the order of the list, so that the rows do not jump.
  function listed() {
    sets.replaceChildren.apply(sets, Array.from(chosen.values()).sort(function (a, b) { return a.number - b.number; }).map(row));
    again();
  }

  function choose(tick) {
    const failed = document.querySelector(".dy-failed"), slug = tick.dataset.field;
    failed.hidden = true;
    if (!tick.checked) { chosen.delete(slug); listed(); return Promise.resolve(); }
    return atlas.fieldWords(slug, tick.dataset.scripts.split(" ")).then(function (field) {
      if (!tick.checked) { return; }
      chosen.set(slug, { slug: slug, number: ticks.indexOf(tick) + 1, field: field, way: tick.dataset.way, order: Number(tick.dataset.order),
        machine: sheet.dataset.machine, ground: field.counts_as, driver: sheet.dataset.driver, who: "" });
      listed();
    }).catch(function () {
      tick.checked = false;
      failed.textContent = (ticks.indexOf(tick) + 1) + ": " + say.no_load;
      failed.hidden = false;
    });
  }

  function save() {
    const link = make("a"), day = new Date();
    const two = function (n) { return String(n).padStart(2, "0"); };
    link.href = URL.createObjectURL(new Blob([atlas.daySheetFile()], { type: "text/html" }));
    link.download = "day-" + day.getFullYear() + "-" + two(day.getMonth() + 1) + "-" + two(day.getDate()) + ".html";
    link.click();
    setTimeout(function () { URL.revokeObjectURL(link.href); }, 60000);
  }

  function find() {
    const wanted = atlas.folded(document.getElementById("dy-find").value).split(/\s+/).filter(Boolean);
    document.querySelectorAll("li[data-find]").forEach(function (item) {
      item.hidden = !wanted.every(function (word) { return item.dataset.find.indexOf(word) >= 0; });
    });
  }

  document.querySelectorAll(".dy-still").forEach(function (e) { e.hidden = true; });
  document.querySelectorAll(".dy-pick, .ov-finder").forEach(function (e) { e.hidden = false; });
  ticks.forEach(function (tick) {
    tick.checked = false;  // a browser may remember ticks, not what was loaded for them
    tick.addEventListener("change", function () { choose(tick); });
  });
  document.getElementById("dy-find").addEventListener("input", find);
  document.querySelector("[data-do=save]").addEventListener("click", save);
  document.querySelector("[data-do=print]").addEventListener("click", function () { again(); window.print(); });
  window.addEventListener("beforeprint", again);  // a release may have run out since
  setInterval(function () { if (chosen.size) { listedUnlessBusy(); } }, 20000);
  function listedUnlessBusy() {
    if (sets.contains(document.activeElement)) { again(); } else { listed(); }
  }
})(window.fieldAtlas);
