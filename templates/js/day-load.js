// Fetches what the chosen fields' own sheets know: each field's data is a script that sets one global.
window.fieldAtlas = window.fieldAtlas || {};
(function (atlas) {
  "use strict";
  const root = document.currentScript.src.replace(/assets\/[^/]*$/, "");
  const kept = {};
  let last = Promise.resolve();

  function run(path) {
    return new Promise(function (done, failed) {
      const script = document.createElement("script");
      script.src = root + path;
      script.onload = function () { script.remove(); done(); };
      script.onerror = function () { script.remove(); failed(new Error(path)); };
      document.head.append(script);
    });
  }

  async function load(paths) {
    window.FIELD_ATLAS = undefined;
    for (const path of paths) { await run(path); }
    const data = window.FIELD_ATLAS;
    window.FIELD_ATLAS = undefined;
    if (!data || !data.field_id) { throw new Error(paths[0]); }
    // Only what is said is kept: the cells of twenty fields are many megabytes.
    return { name: data.name, release: data.release, counts_as: data.counts_as, need: data.need, may_choose: data.may_choose,
      machines: data.machines, grounds: data.grounds, drivers: data.drivers, tags: data.tags, hand: data.hand,
      drives: data.drives, zones: data.zones };
  }

  // A promise of a field's words; one field after the other, since all set the same global.
  atlas.fieldWords = function (slug, paths) {
    if (!kept[slug]) {
      kept[slug] = last = last.catch(function () {}).then(function () { return load(paths); });
      kept[slug].catch(function () { delete kept[slug]; });
    }
    return kept[slug];
  };
})(window.fieldAtlas);
