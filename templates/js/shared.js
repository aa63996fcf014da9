// What every page does: says which map is the current one.
(function () {
  "use strict";
  var now = window.FIELD_ATLAS_EDITION;
  if (!now || now.shared) { return; }  // a sheet handed on by itself says so in its own words
  document.querySelectorAll("[data-edition]").forEach(function (place) {
    if (Number(place.dataset.edition) === now.number) { return; }
    var day = new Date(now.issued_at).toLocaleDateString(
      document.documentElement.lang, { day: "numeric", month: "long", year: "numeric" });
    place.textContent = "(" + place.dataset.words.replace("{n}", now.number).replace("{day}", day) + ")";
    place.hidden = false;
  });
})();
