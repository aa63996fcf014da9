// Finds a field among those of all farms. Their names come in scripts that are loaded once somebody looks for one,
// since a page from disk cannot fetch.
window.fieldAtlas = window.fieldAtlas || {};
(function (atlas) {
  "use strict";
  const MOST = 50;  // links shown at once
  const finder = document.querySelector(".fm-finder");
  const box = document.getElementById("fm-find");
  const told = document.querySelector(".fm-found");
  const hits = document.querySelector(".fm-hits");
  const root = document.currentScript.src.replace(/assets\/[^/]*$/, "");
  const farms = Array.from(document.querySelectorAll("tr[data-farm]")).map(function (row) { return row.dataset.farm; });
  const fields = [];
  let loading = null, failed = false;

  // Called by each data script.
  atlas.found = function (rows) {
    rows.forEach(function (row) {
      const farm = farms[row[2]] || "";
      fields.push({ name: row[0], slug: row[1], farm: farm, number: row[3],
        find: atlas.findable(row[3] + " " + row[0] + " " + row[4] + " " + farm) });
    });
  };

  function run(path) {
    return new Promise(function (done) {
      const script = document.createElement("script");
      script.src = root + path;
      script.onload = function () { script.remove(); done(); };
      script.onerror = function () { script.remove(); failed = true; done(); };
      document.head.append(script);
    });
  }

  function load() {
    if (!loading) {
      loading = Promise.resolve();
      for (let n = 1; n <= Number(finder.dataset.files); n += 1) {
        loading = loading.then(function () { return run("assets/find-" + n + ".js"); });
      }
    }
    return loading;
  }

  function find() {
    const wanted = atlas.folded(box.value).split(/\s+/).filter(Boolean);
    const here = wanted.length ? fields.filter(function (field) {
      return wanted.every(function (word) { return field.find.indexOf(word) >= 0; });
    }) : [];
    told.textContent = (failed ? told.dataset.failed + " " : "")
      + (wanted.length ? atlas.fill(told.dataset.words, { n: here.length, all: fields.length }) : "");
    hits.textContent = "";
    here.slice(0, MOST).forEach(function (field) {
      const item = document.createElement("li"), link = document.createElement("a");
      link.href = root + finder.dataset.page.replace("{}", field.slug);
      link.textContent = field.name;
      item.append(link, " " + field.farm + ", " + field.number);
      hits.append(item);
    });
  }

  finder.hidden = false;
  box.addEventListener("focus", load);
  box.addEventListener("input", function () { load().then(find); });
  box.addEventListener("keydown", function (event) {
    const links = hits.querySelectorAll("a");
    if (event.key === "Enter" && links.length === 1) { links[0].click(); }
  });
})(window.fieldAtlas);
