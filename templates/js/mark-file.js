// The marks file (GeoJSON, RFC 7946) that the farm's computer takes in: as many marks as one file may hold, saved with
// the downloads or passed on where the browser can.
//   atlas.markFile.fill(records) → {text, name, records}; save(file); canShare(); share(file) → a promise of a name
(function (atlas) {
  "use strict";
  const data = window.FIELD_ATLAS;
  if (!data) { return; }
  const about = data.marking, bounds = about.file;
  const KINDS = [["", "application/geo+json"], [".json", "application/json"], [".txt", "text/plain"]];

  function properties(r) {
    const told = { hazard_id: r.id, kind: r.kind, severity: r.severity, accuracy_m: r.accuracy };
    if (r.word === "still there") { return { seen_again: r.about, severity: r.severity }; }
    return r.word === "gone" ? { gone: r.about } : told;
  }
  function feature(r) {
    const all = Object.assign(properties(r), { note: r.note, seen_at: r.seen_at, seen_by: r.by, photo: r.picture });
    Object.keys(all).forEach(function (key) { if (all[key] === null || all[key] === "") { delete all[key]; } });
    return { type: "Feature", id: r.id, geometry: r.geometry, properties: all };
  }

  function weigh(text, r) {
    const signs = (text.match(/[[{,:]/g) || []).length + 1;
    return { bytes: new Blob([text]).size + 1, signs: signs, features: 1, pictures: r.picture ? 1 : 0 };
  }
  // The marks that go into one file, in order, as its reader's bounds allow; the rest goes into the next.
  function fill(records) {
    const used = { bytes: 1000, signs: 100, features: 0, pictures: 0 }, taken = [], texts = [];
    records.every(function (r) {
      const text = JSON.stringify(feature(r)), more = weigh(text, r), keys = Object.keys(more);
      const fits = keys.every(function (key) { return used[key] + more[key] <= bounds[key]; });
      if (fits) {
        keys.forEach(function (key) { used[key] += more[key]; });
        taken.push(r);
        texts.push(text);
      }
      return fits;
    });
    return { text: whole(texts), name: fileName(), records: taken };
  }
  function whole(texts) {
    const edition = window.FIELD_ATLAS_EDITION;
    const map = edition ? edition.number : data.number;
    const head = { type: "FeatureCollection", format: bounds.format, farm: about.farm, edition: map };
    return JSON.stringify(head).slice(0, -1) + ',"features":[' + texts.join(",") + "]}\n";
  }
  function fileName() {
    const plain = about.farm.normalize("NFKD").toLowerCase().replace(/[^a-z0-9]+/g, "-");
    const farm = plain.slice(0, 40).replace(/^-|-$/g, "");
    const now = new Date(), two = function (v) { return String(v).padStart(2, "0"); };
    const day = [now.getFullYear(), two(now.getMonth() + 1), two(now.getDate())].join("-");
    const time = [now.getHours(), now.getMinutes(), now.getSeconds()].map(two).join("");
    return ["marks", farm, day, time].filter(Boolean).join("-") + ".geojson";
  }

  function save(file) {
    const link = document.createElement("a"), address = URL.createObjectURL(new Blob([file.text], { type: KINDS[0][1] }));
    link.href = address;
    link.download = file.name;
    link.click();
    setTimeout(function () { URL.revokeObjectURL(address); }, 60000);
  }

  // Browsers pass on only files of kinds they know; the name's end says which.
  function shareable(file) {
    if (!navigator.share || !navigator.canShare || !window.File) { return null; }
    const made = KINDS.map(function (kind) { return new File([file.text], file.name + kind[0], { type: kind[1] }); });
    return made.find(function (one) { return navigator.canShare({ files: [one] }); }) || null;
  }
  function share(file) {
    const one = shareable(file);
    return navigator.share({ files: [one], title: data.mark_words.share_title }).then(function () { return one.name; });
  }

  atlas.markFile = {
    fill: fill, save: save, share: share,
    canShare: function () { return shareable({ text: "{}", name: "marks.geojson" }) !== null; },
  };
})(window.fieldAtlas);
