// The day sheet itself: for each chosen field what holds today, in the order of the ways in.
(function (atlas) {
  "use strict";
  const sheet = document.querySelector(".dy-sheet");
  const say = JSON.parse(sheet.dataset.phrases), fill = atlas.fill;

  function element(tag, text, name) {
    const e = document.createElement(tag);
    if (name) { e.className = name; }
    e.textContent = text;
    return e;
  }
  function label(list, key) {
    const found = list.find(function (one) { return one.key === key; });
    return found ? found.label : key;
  }
  function moment(time) {
    return new Date(time).toLocaleString(atlas.language, { day: "numeric", month: "long", hour: "2-digit", minute: "2-digit" });
  }

  // {state, text, ground}: whether the release counts now by this device's clock, and which ground then does.
  function released(field, now) {
    const r = field.release, need = label(field.grounds, field.need);
    if (!r) { return { state: "none", text: fill(say.not_released, { need: need }), ground: field.need }; }
    const until = moment(Date.parse(r.until));
    if (now >= Date.parse(r.until)) { return { state: "over", text: fill(say.ran_out, { until: until, need: need }), ground: field.need }; }
    if (atlas.clockBehind(now) || now < Date.parse(r.from) - atlas.apart) {
      return { state: "early", text: say.clock_behind + " " + fill(say.not_released, { need: need }), ground: field.need };
    }
    const values = { by: r.by, ground: label(field.grounds, field.counts_as), until: until, need: need };
    return { state: "running", text: fill(say.released, values), ground: field.counts_as };
  }

  function marks(field) {
    const list = element("ul", "");
    field.tags.forEach(function (t) {
      const values = { kind: t.severity ? t.kind + " (" + t.severity + ")" : t.kind, place: t.place, far: t.far };
      const row = element("li", "");
      row.append(element("span", t.tag, "tag"), " ", fill(t.soft ? say.soft : say.away, values));
      if (t.note) { row.append(" ", element("q", t.note)); }
      if (t.unconfirmed) { row.append(" ", element("b", say.unconfirmed)); }
      list.append(row);
    });
    return field.tags.length ? list : element("p", say.nothing);
  }

  function open(drive) {
    const line = element("p", "", "dy-open");
    drive.figures.forEach(function (f) { line.append(element("span", f[0] + ": " + f[1])); });
    return line;
  }

  function block(one, now) {
    const field = one.field, told = released(field, now), out = element("section", "", "dy-field");
    out.classList.toggle("dy-closed", told.state !== "running");
    out.dataset.state = told.state;
    out.append(element("h3", one.number + " " + field.name));
    out.append(element("p", one.way ? fill(say.in_by, { way: one.way }) : say.no_way, "dy-way"));
    out.append(element("p", told.text, "dy-release"));
    const drive = field.drives.find(function (d) { return d.machine === one.machine && d.ground === one.ground && d.driver === one.driver; });
    if (!drive) {
      out.append(element("p", say.no_zones, "dy-not"));
    } else {
      const who = say.who + ": " + (one.who || say.nobody);
      out.append(element("p", [label(field.machines, one.machine), label(field.grounds, one.ground), label(field.drivers, one.driver)].join(", ") + ". " + who));
      drive.sentences.forEach(function (s) { out.append(element("p", s, "dy-not")); });
      out.append(open(drive));
    }
    out.append(element("p", say.keep_off + ":", "dy-first"), marks(field));
    if (field.hand) { out.append(element("p", say.hand + ": " + field.hand)); }
    return out;
  }

  // `chosen`: {number, field, way, order, machine, ground, driver, who}. By way in, then by number.
  atlas.daySheet = function (chosen) {
    const now = Date.now(), list = sheet.querySelector(".dy-list");
    const sorted = chosen.slice().sort(function (a, b) { return a.order - b.order || a.number - b.number; });
    list.replaceChildren.apply(list, sorted.map(function (one) { return block(one, now); }));
    sheet.querySelector(".dy-made").textContent = fill(say.made, { now: moment(now) });
    sheet.querySelector(".dy-signed").textContent = say.signed;
    sheet.hidden = !sorted.length;
  };
  atlas.dayReleased = released;
  atlas.dayWords = say;

  // A page from disk may not read its own style sheets, so the saved file's few rules stand here.
  const STYLE = "body{font:16px/1.4 system-ui,sans-serif;max-width:56rem;margin:0 auto;padding:.6rem;color:#000;background:#fff}" +
    "h3,p,ul{margin:.3rem 0}.dy-field{border-top:3px solid;padding:.4rem 0;break-inside:avoid}.dy-not,.dy-way,.dy-first{font-weight:700}" +
    ".tag{border:2px solid;padding:0 .25em;font-weight:700}.dy-release{border:2px solid;padding:.1rem .5rem;display:inline-block}" +
    ".dy-closed .dy-release{border-width:4px;font-weight:700}.dy-open{display:flex;flex-wrap:wrap;gap:0 1.2rem}a{color:inherit}";

  // The sheet alone as one file that asks for nothing and runs nothing.
  atlas.daySheetFile = function () {
    const doc = document.implementation.createHTMLDocument(say.title);
    doc.documentElement.lang = document.documentElement.lang;
    const meta = doc.createElement("meta"), policy = doc.createElement("meta"), view = doc.createElement("meta");
    meta.setAttribute("charset", "utf-8");
    policy.httpEquiv = "Content-Security-Policy";
    policy.content = "default-src 'none'; style-src 'unsafe-inline'";
    view.name = "viewport";
    view.content = "width=device-width, initial-scale=1";
    doc.head.prepend(meta, policy, view);
    const copy = sheet.cloneNode(true);
    copy.hidden = false;
    Object.keys(copy.dataset).forEach(function (key) { delete copy.dataset[key]; });
    doc.body.append(copy);
    // The rules go in as text: in a document made here this page's own policy holds, which allows no such rules.
    const text = doc.documentElement.outerHTML.replace("<title>", "<style>" + STYLE + "</style><title>");
    return "<!doctype html>\n" + text;
  };
})(window.fieldAtlas);
