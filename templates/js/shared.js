// What every page does: says which map is the current one, and whether the device's clock can be right.
window.fieldAtlas = window.fieldAtlas || {};
(function (atlas) {
  "use strict";
  var lang = document.documentElement.lang;
  atlas.language = lang === "en" ? "en-GB" : lang;  // days before months, as everywhere else on the pages
  // A number with the language's decimal sign. Coordinates keep their point in every language: they are typed in.
  atlas.number = function (value, decimals) {
    return value.toLocaleString(atlas.language, { minimumFractionDigits: decimals, maximumFractionDigits: decimals, useGrouping: false });
  };
  // A phrase with its {names} filled in.
  atlas.fill = function (text, values) {
    return text.replace(/\{(\w+)\}/g, function (_, key) { return values[key]; });
  };
  // Without case and accents, as finders compare: `folded` in atlas/pages/overview.py.
  atlas.folded = function (text) {
    return text.toLowerCase().normalize("NFKD").replace(/[\u0300-\u036f]/g, "").replace(/ß/g, "ss");
  };
  // What a finder searches: also with letters spelt out, as `findable` there.
  var SPELT = { "ä": "ae", "ö": "oe", "ü": "ue", "æ": "ae", "œ": "oe", "ø": "oe", "å": "aa", "đ": "d", "ł": "l", "þ": "th" };
  atlas.findable = function (text) {
    var spelt = text.normalize("NFC").toLowerCase().replace(/[äöüæœøåđłþ]/g, function (letter) { return SPELT[letter]; });
    return Array.from(new Set([atlas.folded(text), atlas.folded(spelt)])).join(" ");
  };
  // What a select shows, in full: on a phone its own line would cut a machine's name.
  atlas.spell = function (pick) {
    var chosen = pick.options[pick.selectedIndex];
    pick.previousElementSibling.textContent = chosen ? chosen.textContent : "";
  };
  // A movable map's scale and its two zoom buttons, in the bar below it.
  atlas.controls = function (map) {
    var words = map.getContainer().dataset, buttons = document.querySelector(".map-buttons");
    var scale = L.control.scale({ imperial: false, maxWidth: map.getContainer().clientWidth < 480 ? 80 : 140 });
    var zoom = L.control.zoom({ zoomInText: "+", zoomOutText: "–", zoomInTitle: words.zoomIn, zoomOutTitle: words.zoomOut });
    [scale, zoom].forEach(function (control) { buttons.before(control.addTo(map).getContainer()); });
  };
  var now = window.FIELD_ATLAS_EDITION;
  atlas.apart = 300000;  // milliseconds by which two honest clocks may differ

  // Whether the device's clock says a time before this map was made: then no release may be counted by it.
  atlas.clockBehind = function (moment) { return Boolean(now) && moment < Date.parse(now.issued_at) - atlas.apart; };

  if (!now || now.shared) { return; }  // a sheet handed on by itself says so in its own words
  document.querySelectorAll("[data-edition]").forEach(function (place) {
    var own = Number(place.dataset.edition);
    if (own === now.number) { return; }
    var day = new Date(now.issued_at).toLocaleDateString(atlas.language, { day: "numeric", month: "long", year: "numeric" });
    var words = own < now.number ? place.dataset.words : place.dataset.ahead;
    place.textContent = "(" + words.replace("{n}", now.number).replace("{day}", day) + ")";
    place.hidden = false;
  });
})(window.fieldAtlas);
