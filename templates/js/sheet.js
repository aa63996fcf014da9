// The sheet at work: machine, ground and driver repaint map, sentences and lists; a tap tells.
(function (atlas) {
  "use strict";
  const data = window.FIELD_ATLAS, page = document.documentElement;
  if (!data) { return; }
  const say = data.words;
  const state = { machine: data.shown.machine, ground: data.shown.ground, driver: data.shown.driver, counts: data.counts_as };
  const pick = {};
  let told = null;

  function choiceNow() { return atlas.choice(state.machine, state.ground, state.driver); }

  function element(tag, text, name) {
    const e = document.createElement(tag);
    if (name) { e.className = name; }
    e.textContent = text;
    return e;
  }

  // Fills the lists and sentences under a root with the words of a choice. Text only, never markup.
  function speak(root, choice) {
    const d = data.drives[choice];
    root.querySelectorAll("[data-say=sentences]").forEach(function (place) {
      place.replaceChildren.apply(place, d.sentences.map(function (s) { return element("p", s); }));
    });
    root.querySelectorAll("[data-say=causes]").forEach(function (place) {
      const lines = d.causes.length ? d.causes : [[place.dataset.none, "", "", []]];
      place.replaceChildren.apply(place, lines.map(causeRow));
    });
    root.querySelectorAll("[data-say=figures]").forEach(function (place) {
      place.replaceChildren.apply(place, d.figures.map(function (line) {
        const row = document.createElement("tr"), head = element("th", line[0]);
        head.scope = "row";
        row.append(head, element("td", line[1], "num"));
        return row;
      }));
    });
  }

  function causeRow(line) {
    const row = document.createElement("tr"), what = element("th", line[0]);
    what.scope = "row";
    line[3].forEach(function (tag) { what.append(" ", element("span", tag, "tag")); });
    row.append(what, element("td", line[2]), element("td", line[1], "num"));
    return row;
  }

  function name(kind, key) {
    return data[kind].find(function (one) { return one.key === key; }).label;
  }

  function repaint() {
    const choice = choiceNow();
    if (choice < 0) { return; }
    Object.keys(pick).forEach(function (kind) {
      pick[kind].value = state[kind];
      atlas.spell(pick[kind]);
    });
    atlas.paint(atlas.picture, choice);
    document.querySelectorAll(".moving").forEach(function (root) { speak(root, choice); });
    document.querySelectorAll("[data-now]").forEach(function (place) {
      place.textContent = [name("machines", state.machine), name("grounds", state.ground), name("drivers", state.driver)].join(", ");
    });
    page.dataset.machine = state.machine;
    page.dataset.ground = state.ground;
    page.dataset.driver = state.driver;
    if (told) { tell(told.x, told.y); }
    document.dispatchEvent(new CustomEvent("repainted"));  // for aids that watch or show the choice
  }

  function tell(x, y) {
    told = { x: x, y: y };
    const box = document.getElementById("told"), lines = atlas.tellAt(choiceNow(), x, y), where = atlas.lonLat(x, y);
    const list = box.querySelector("[data-told]");
    list.replaceChildren.apply(list, lines.map(function (line, k) { return element("p", line, k ? "" : "told-verdict"); }));
    list.append(element("p", atlas.fill(say.place, { lat: where.lat.toFixed(5), lon: where.lon.toFixed(5) })));
    box.hidden = false;
    document.getElementById("tap-hint").hidden = true;
    atlas.markTap(x, y);
  }

  function hush() {
    told = null;
    document.getElementById("told").hidden = true;
    document.getElementById("tap-hint").hidden = false;
    atlas.markTap(null);
  }

  // Only grounds no better than the one that counts are offered.
  function offerGrounds() {
    const allowed = data.may_choose[state.counts];
    if (allowed.indexOf(state.ground) < 0) { state.ground = state.counts; }
    pick.ground.replaceChildren.apply(pick.ground, data.grounds.filter(function (g) {
      return allowed.indexOf(g.key) >= 0;
    }).map(function (g) {
      const option = element("option", g.label);
      option.value = g.key;
      option.selected = g.key === state.ground;
      return option;
    }));
  }

  // The ground that counts: the released one, or wet without. A worse one that was chosen stays.
  function countAs(ground) {
    if (state.counts === ground) { return; }
    state.counts = ground;
    if (!data.drives.length) { return; }
    standAs(ground);
    offerGrounds();
    repaint();
  }
  // What is printed from now on, and stands where the rest of the script fails.
  function standAs(ground) {
    if (!data.drives.length) { return; }
    const shown = data.may_choose[ground].indexOf(data.shown.ground) < 0 ? ground : data.shown.ground;
    const standing = atlas.choice(data.shown.machine, shown, data.shown.driver);
    atlas.paint(document.getElementById("zone-map"), standing);
    document.querySelectorAll(".standing").forEach(function (root) { speak(root, standing); });
    document.querySelectorAll("[data-standing-ground]").forEach(function (e) { e.textContent = name("grounds", shown); });
  }

  // Static parts keep what is printed; a copy of each is what the choice repaints.
  function copyParts() {
    document.querySelectorAll("[data-copy]").forEach(function (part) {
      const copy = part.cloneNode(true);
      copy.removeAttribute("data-copy");
      copy.querySelectorAll("[id]").forEach(function (e) { e.removeAttribute("id"); });
      copy.classList.replace("standing", "moving");
      part.after(copy);
    });
  }

  function listen() {
    ["machine", "ground", "driver"].forEach(function (kind) {
      pick[kind] = document.querySelector("select[data-pick=" + kind + "]");
      pick[kind].value = state[kind];
      pick[kind].addEventListener("change", function () { state[kind] = pick[kind].value; repaint(); });
    });
    document.querySelector("[data-do=hush]").addEventListener("click", hush);
  }

  // A place pointed at on the map: told, unless something else has asked for it (atlas.takePlace).
  function pointed(at) {
    if (atlas.takePlace) { atlas.takePlace(at.lng, at.lat); } else if (data.drives.length) { tell(at.lng, at.lat); }
  }
  function listenToMap() {
    atlas.map.on("click", function (e) { pointed(e.latlng); });
    atlas.map.getContainer().addEventListener("keydown", function (e) {
      if (e.key === "Enter" && e.target === e.currentTarget) { pointed(atlas.map.getCenter()); }
    });
  }

  function start() {
    if (data.drives.length) { copyParts(); }
    page.classList.add("ready");
    atlas.drawMap();
    atlas.fit();
    listenToMap();
    if (data.drives.length) {
      listen();
      offerGrounds();
      repaint();
    }
    document.querySelector("[data-do=whole]").addEventListener("click", atlas.fit);
    const aerial = document.querySelector("[data-do=aerial]");
    if (aerial) {
      aerial.addEventListener("click", function () { aerial.setAttribute("aria-pressed", atlas.swapAerial()); });
    }
    atlas.watchRelease(countAs);
    let wide = window.innerWidth;
    window.addEventListener("resize", function () {  // a phone's address line coming and going is no reason to move
      if (wide !== window.innerWidth) { wide = window.innerWidth; atlas.fit(); } else { atlas.map.invalidateSize(); }
    });
  }

  // For tests and for what is built on top.
  atlas.state = state;
  atlas.repaint = repaint;
  atlas.tell = tell;
  atlas.hush = hush;
  atlas.verdictAt = function (row, col) { return atlas.verdictOf(choiceNow(), row, col); };
  atlas.choose = function (machine, ground, driver) {
    Object.assign(state, { machine: machine, ground: ground, driver: driver });
    repaint();
  };

  try {
    start();
  } catch (e) {
    page.classList.remove("ready");  // the picture and the words that stand without scripts are whole
    atlas.watchRelease(standAs);
    throw e;
  }
})(window.fieldAtlas);
