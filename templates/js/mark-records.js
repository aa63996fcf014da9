// What a mark is on the device: made here, looked over again when it is read back, told in words. Every text in it is
// a worker's, and everything read back may be somebody else's: text stays text, and what is no mark is left alone.
(function (atlas) {
  "use strict";
  const data = window.FIELD_ATLAS;
  if (!data) { return; }
  const about = data.marking, say = data.mark_words;
  const UUID = /^[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}$/;  // RFC 9562
  const PICTURE = /^data:image\/jpeg;base64,[A-Za-z0-9+/]+={0,2}$/;
  const LONGEST_PICTURE = 8000000, ROUGHEST_M = 1000, LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ", MOST_SIGNS = 27 * 26;
  const WORDS = ["new", "still there", "gone"];

  function freshId() {
    if (window.crypto.randomUUID) { return window.crypto.randomUUID(); }
    const b = window.crypto.getRandomValues(new Uint8Array(16));
    b[6] = b[6] & 15 | 64;
    b[8] = b[8] & 63 | 128;
    const hex = Array.prototype.map.call(b, function (v) { return (v + 256).toString(16).slice(1); }).join("");
    return hex.replace(/^(.{8})(.{4})(.{4})(.{4})(.{12})$/, "$1-$2-$3-$4-$5");
  }

  // A worker's text as the farm's reader takes it: no control signs, no half signs, nothing that reads as markup.
  function plainText(text, most) {
    return text.replace(/\r\n?/g, "\n").replace(/[\u0000-\u0008\u000b-\u001f\u007f-\u009f]/g, "")
      .replace(/<(?=\s*[a-zA-Z/!?])/g, "‹").slice(0, most)
      .replace(/[\ud800-\udbff][\udc00-\udfff]|[\ud800-\udfff]/g, function (s) { return s.length === 2 ? s : ""; });
  }

  // The first letter, or pair of letters, that no mark in the list has.
  function freshSign(list) {
    const taken = list.map(function (r) { return r.sign; });
    let k = 0, sign = "A";
    for (; k < MOST_SIGNS && taken.indexOf(sign) >= 0; k += 1) {
      sign = (k < 26 ? "" : LETTERS[Math.floor(k / 26) - 1]) + LETTERS[k % 26];
    }
    return sign;
  }

  // The time by the device's clock; none where that clock cannot be right.
  function seenAt() { return atlas.clockBehind(Date.now()) ? null : new Date().toISOString(); }

  function make(told, list) {
    const edition = window.FIELD_ATLAS_EDITION;
    return Object.assign({
      id: freshId(), sign: "", farm: about.farm, field_id: data.field_id, field: about.name,
      map: edition ? edition.number : data.number, word: "new", about: null, kind: "", severity: null,
      geometry: null, accuracy: null, note: "", by: lastBy(list), seen_at: seenAt(), picture: "",
      handed_at: null, away: false, made: Date.now(),
    }, told.word ? {} : { sign: freshSign(list) }, told);
  }
  function lastBy(list) {
    const named = list.filter(function (r) { return r.by; });
    return named.length ? named[named.length - 1].by : "";
  }

  function isText(value, most) { return typeof value === "string" && value.length <= most; }
  function isTime(value) { return value === null || isText(value, 30) && !isNaN(Date.parse(value)); }
  function isSeverity(value) { return value === null || [1, 2, 3].indexOf(value) >= 0; }
  function isLength(value) { return value === null || typeof value === "number" && value >= 0 && value <= ROUGHEST_M; }

  // Whether something read back is a mark as `make` makes them, and of this farm.
  function isMark(r) { return isWhole(r) && isOurs(r); }
  function isWhole(r) {
    return Boolean(r) && typeof r === "object" && isText(r.id, 36) && UUID.test(r.id) && isText(r.farm, 1000) &&
      WORDS.indexOf(r.word) >= 0 && isText(r.sign, 2) && isText(r.field_id, 1000) && isText(r.field, 1000) &&
      Number.isFinite(r.map) && Number.isFinite(r.made) && isSeverity(r.severity) && isLength(r.accuracy) &&
      isText(r.note, about.note) && isText(r.by, about.by) && isTime(r.seen_at) && isTime(r.handed_at) &&
      typeof r.away === "boolean" && isText(r.picture, LONGEST_PICTURE) && (!r.picture || PICTURE.test(r.picture)) &&
      (r.word === "new" ? isNew(r) : isText(r.about, 100) && r.geometry === null);
  }
  // By the farm's name, or, should that have changed since, by what it lies on or speaks of.
  function isOurs(r) {
    if (r.farm === about.farm) { return true; }
    if (r.word !== "new") { return Object.prototype.hasOwnProperty.call(about.tags, r.about); }
    const shape = atlas.shapes.shapeOf(r.geometry), box = data.picture;
    return shape !== null && shape.points.some(function (p) {
      return p.x >= box.west && p.x <= box.east && p.y >= box.south && p.y <= box.north;
    });
  }
  function isNew(r) {
    return Object.prototype.hasOwnProperty.call(about.kinds, r.kind) && atlas.shapes.isGeometry(r.geometry);
  }

  // "wet spot, boot sinks"
  function what(r) {
    const kind = about.kinds[r.kind], step = say.severities[r.severity];
    return kind ? say.kinds[r.kind] + (kind.graded && step ? ", " + step : "") : "";
  }
  // The same for word of a marking that stands on the map: "Number 3, wet spot: still there, boot sinks"
  function told(r) {
    if (r.word === "new") { return what(r); }
    const tag = about.tags[r.about], key = tag ? tag.kind : r.kind, kind = about.kinds[key], step = say.severities[r.severity];
    const text = atlas.fill(r.word === "gone" ? say.gone : say.still,
      { tag: tag ? tag.tag : "(" + say.no_tag + ")", kind: kind ? say.kinds[key] : "" });
    return text + (kind && kind.graded && step ? ", " + step : "");
  }

  // Whether the ground around a new mark counts as closed on this device: never where the map itself has the mark.
  function closes(r) {
    const from = r.word === "new" && !r.away && !about.tags[r.id] ? about.kinds[r.kind].closes : null;
    return from !== null && (r.severity || 0) >= from;
  }

  atlas.markRecords = { make: make, isMark: isMark, plainText: plainText, what: what, told: told, closes: closes };
})(window.fieldAtlas);
