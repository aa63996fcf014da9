// The list of what was marked on this device, and handing it over. Nothing leaves the list by itself: a mark that was
// handed over stays, can be handed over again, and is put away only by the worker's own word.
(function (atlas) {
  "use strict";
  const data = window.FIELD_ATLAS;
  if (!data) { return; }
  const about = data.marking, say = data.mark_words;
  let going = [], again = [], sure = null, fetched = false;

  function part(name) { return document.querySelector("[data-mark=" + name + "]"); }
  function element(tag, text, name) {
    const e = document.createElement(tag);
    if (name) { e.className = name; }
    e.textContent = text;
    return e;
  }
  function button(text, act) {
    const b = element("button", text);
    b.type = "button";
    b.addEventListener("click", act);
    return b;
  }
  // By the device's own clock.
  function moment(time) {
    return new Date(time).toLocaleString(atlas.language, { day: "numeric", month: "long", hour: "2-digit", minute: "2-digit" });
  }

  // A second press within the same button, for what cannot be turned round.
  function twice(id, first, second, act) {
    const b = button(sure === id ? second : first, function () {
      if (sure === id) { sure = null; act(); } else { sure = id; b.textContent = second; }
    });
    return b;
  }

  function stateOf(r) {
    if (atlas.marks.problem(r)) { return say.lost; }
    if (about.tags[r.id]) { return atlas.fill(say.on_map, about.tags[r.id]); }
    return r.handed_at ? atlas.fill(say.handed, { when: moment(r.handed_at) }) : say.not_handed;
  }
  function wordsOf(r) {
    const shape = r.geometry && atlas.shapes.shapeOf(r.geometry), by = r.by ? atlas.fill(say.by, { name: r.by }) : "";
    const parts = [shape ? atlas.shapes.words(shape, r.accuracy || 0) : "", r.seen_at ? moment(r.seen_at) : "", by];
    return parts.filter(Boolean).join(", ");
  }

  function buttonsOf(r) {
    const p = element("p", "", "buttons");
    if (!r.handed_at) {
      p.append(button(say.details, function () { atlas.editMark(r); }),
        twice("take back " + r.id, say.take_back, say.take_back_sure, function () { atlas.marks.drop(r); }));
    } else {
      const closes = atlas.markRecords.closes(r), away = function () { atlas.marks.change(r, { away: true }); };
      p.append(closes ? twice("away " + r.id, say.put_away, say.put_away_sure, away) : button(say.put_away, away));
    }
    return p;
  }
  function line(r) {
    const li = document.createElement("li"), told = document.createElement("div"), first = document.createElement("p");
    first.append(element("b", atlas.markRecords.told(r)), " ", element("span", stateOf(r), "flag"));
    told.append(first, element("p", wordsOf(r)));
    if (r.note) { told.append(element("q", r.note)); }
    if (r.picture) {
      const img = document.createElement("img");
      img.src = r.picture;
      img.alt = atlas.fill(say.picture_of, { sign: r.sign || atlas.markRecords.told(r) });
      told.append(img);
    }
    told.append(buttonsOf(r));
    li.append(element("span", r.sign, r.sign ? "tag own-tag" + (r.handed_at ? " handed" : "") : "tag own-tag none"), told);
    return li;
  }

  function mine() { return atlas.marks.list.filter(function (r) { return r.field_id === data.field_id; }); }
  function waiting() { return atlas.marks.list.filter(function (r) { return !r.handed_at; }); }
  function handed() { return atlas.marks.list.filter(function (r) { return r.handed_at && !r.away; }); }

  function trouble() {
    const lost = atlas.marks.list.map(atlas.marks.problem).filter(Boolean), how = atlas.marks.how;
    const words = [lost[0] || (how === "none" ? say.store_none : how === "small" ? say.store_small : "")];
    if (atlas.clockBehind(Date.now())) { words.push(say.clock); }
    const text = words.filter(Boolean).join(" ");
    document.querySelectorAll(".mark-trouble").forEach(function (p) {
      p.hidden = !text;
      if (p.textContent !== text) { p.textContent = text; }
    });
  }

  // Under each marking of the keep-off list, the last word given on this device.
  function answers() {
    document.querySelectorAll(".answers").forEach(function (box) {
      const said = atlas.marks.list.filter(function (r) { return r.about === box.dataset.hazard; }).pop();
      const text = said ? atlas.markRecords.told(said).replace(/^[^:]*: /, "") + ", " + stateOf(said) + "." : "";
      const place = box.querySelector("[role=status]");
      if (place.textContent !== text) { place.textContent = text; }
    });
  }

  function others(list) {
    const names = list.filter(function (r) { return r.field_id !== data.field_id; }).map(function (r) { return r.field; });
    const each = names.filter(function (name, k) { return names.indexOf(name) === k; });
    return each.length ? atlas.fill(say.other_fields, { names: each.join(", ") }) : "";
  }
  function handOver() {
    const open = waiting(), done = handed(), asked = going.length > 0;
    part("hand-over").hidden = !open.length && !done.length;
    part("waiting").textContent = open.length ? atlas.fill(say.waiting_marks, { count: open.length }) : say.all_handed;
    part("others").textContent = others(open);
    part("ways").hidden = asked;
    part("asked").hidden = !asked;
    const next = open.length || again.length;
    document.querySelector("[data-do=mark-save]").hidden = !next;
    document.querySelector("[data-do=mark-share]").hidden = !next || !atlas.markFile.canShare();
    document.querySelector("[data-do=mark-again]").hidden = !done.length || again.length > 0;
  }

  function render() {
    const all = mine(), seen = all.filter(function (r) { return fetched || !r.away; }), away = all.length - seen.length;
    part("none").textContent = all.length ? "" : say.none;
    part("list").replaceChildren.apply(part("list"), seen.map(line));
    part("away").hidden = !away;
    part("away").querySelector("span").textContent = atlas.fill(say.put_away_count, { count: away });
    handOver();
    answers();
    trouble();
  }

  // What goes into the next file: all again where that was asked for, else what is not handed over.
  function next() { return atlas.markFile.fill(again.length ? again : waiting()); }
  function ask(file, text) {
    const all = (again.length ? again : waiting()).length, count = file.records.length;
    going = file.records;
    part("saved").textContent = text + (count < all ? " " + atlas.fill(say.part, { count: count, all: all }) : "");
    handOver();
  }
  function save() {
    const file = next();
    atlas.markFile.save(file);
    ask(file, atlas.fill(say.saved, { name: file.name }));
  }
  function share() {
    const file = next();
    atlas.markFile.share(file).then(function () { ask(file, ""); }, function () { part("others").textContent = say.share_no; });
  }
  function settle(reached) {
    const done = going, now = new Date().toISOString();
    again = again.filter(function (r) { return reached && done.every(function (d) { return d.id !== r.id; }); });
    going = [];
    if (reached) { done.forEach(function (r) { atlas.marks.change(r, { handed_at: now }); }); }
    handOver();
  }

  function on(name, act) { document.querySelector("[data-do=" + name + "]").addEventListener("click", act); }
  on("mark-save", save);
  on("mark-share", share);
  on("mark-again", function () { again = waiting().concat(handed()); handOver(); save(); });
  on("mark-handed", function () { settle(true); });
  on("mark-not-handed", function () { settle(false); });
  on("mark-fetch", function () { fetched = true; render(); });
  document.addEventListener("atlas:marks", render);
  render();
})(window.fieldAtlas);
