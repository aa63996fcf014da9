// The marks of this farm on this device, in memory as in the store. What the store refuses stays in memory and is said.
//   atlas.marks: list, how, problem(record) → "" or why it is not kept; add, change, drop → promises, never failing
(function (atlas) {
  "use strict";
  const data = window.FIELD_ATLAS;
  if (!data) { return; }
  const say = data.mark_words, lost = new Map(), writing = new Map();
  const marks = { list: [], how: "" };

  function changed() { document.dispatchEvent(new Event("atlas:marks")); }
  function byAge(a, b) { return a.made - b.made || (a.id < b.id ? -1 : 1); }

  function read() {
    return atlas.markStore.all().then(function (found) {
      const newer = marks.list.filter(function (r) { return lost.has(r.id) || writing.has(r.id); });
      const kept = found.filter(atlas.markRecords.isMark).filter(function (r) {
        return newer.every(function (n) { return n.id !== r.id; });
      });
      marks.list = kept.concat(newer).sort(byAge);
    }).catch(function () {}).then(changed);
  }
  const ready = atlas.markStore.open().then(function (how) { marks.how = how; return read(); });

  function why(error) {
    if (marks.how === "none") { return say.store_none; }
    const full = error && error.name === "QuotaExceededError";
    return atlas.fill(say.not_kept, { why: full ? say.why_full : say.why_other });
  }
  function write(record) {
    writing.set(record.id, (writing.get(record.id) || 0) + 1);
    return ready.then(function () { return atlas.markStore.put(record); }).then(
      function () { lost.delete(record.id); }, function (error) { lost.set(record.id, why(error)); }
    ).then(function () {
      const left = writing.get(record.id) - 1;
      if (left) { writing.set(record.id, left); } else { writing.delete(record.id); }
      changed();
    });
  }

  marks.ready = ready;
  marks.problem = function (record) { return lost.get(record.id) || ""; };
  marks.add = function (record) {
    marks.list.push(record);  // on the map at once, before the disk has answered
    changed();
    return write(record);
  };
  marks.change = function (record, patch) {
    const now = marks.list.find(function (r) { return r.id === record.id; });  // a reading may have come between
    return now ? write(Object.assign(now, patch)) : Promise.resolve();
  };
  marks.drop = function (record) {
    return ready.then(function () { return atlas.markStore.drop(record.id); }).then(function () {
      lost.delete(record.id);
      marks.list = marks.list.filter(function (r) { return r.id !== record.id; });
    }).catch(function () {}).then(changed);
  };
  // Marks made on another field's sheet meanwhile.
  ["focus", "pageshow"].forEach(function (name) {
    window.addEventListener(name, function () { ready.then(read); });
  });
  window.addEventListener("beforeunload", function (e) {
    if (marks.list.some(function (r) { return lost.has(r.id) && !r.handed_at; })) { e.preventDefault(); }
  });
  atlas.marks = marks;
})(window.fieldAtlas);
