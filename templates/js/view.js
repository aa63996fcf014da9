// The pictures from the ways in show one choice, and the one that counts once its release has run out. This says so
// when the sheet's choice is another, and swaps them when the release ends.
(function (atlas) {
  "use strict";
  const data = window.FIELD_ATLAS, page = document.documentElement;
  if (!data || !data.drives.length) { return; }

  function compare() {
    const back = page.classList.contains("fallen-back"), allowed = data.may_choose[back ? data.need : data.counts_as];
    const ground = allowed.indexOf(data.shown.ground) < 0 ? data.need : data.shown.ground;
    const same = page.dataset.machine === data.shown.machine && page.dataset.driver === data.shown.driver &&
      page.dataset.ground === ground;
    document.querySelectorAll("[data-view-other]").forEach(function (e) { e.hidden = same || !page.dataset.machine; });
  }

  atlas.watchRelease(function (ground) {
    page.classList.toggle("fallen-back", ground !== data.counts_as);
    compare();
  });
  new MutationObserver(compare).observe(page, { attributes: true, attributeFilter: ["data-machine", "data-ground", "data-driver"] });
  compare();
})(window.fieldAtlas);
