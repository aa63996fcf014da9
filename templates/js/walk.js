/* Keeps the ticks of a walk on this device, for this map only: after the next storm every box is empty again. */
(function () {
  "use strict";
  var own = "." + document.documentElement.lang + ".html";  // the same ticks in every language
  var key = "field-atlas walk " + location.pathname.replace(own, ".html");
  var number = document.body.getAttribute("data-number");
  var boxes = Array.prototype.slice.call(document.querySelectorAll("input[data-tick]"));

  function kept() {
    try {
      var found = JSON.parse(localStorage.getItem(key));
      return found && found.number === number && Array.isArray(found.ticks) ? found.ticks : [];
    } catch (e) {
      return [];
    }
  }

  function keep() {
    var ticks = boxes.filter(function (b) { return b.checked; }).map(function (b) { return b.getAttribute("data-tick"); });
    try {
      localStorage.setItem(key, JSON.stringify({ number: number, ticks: ticks }));
    } catch (e) {
      /* A browser that keeps nothing still lets one tick. */
    }
  }

  var before = kept();
  boxes.forEach(function (b) {
    b.checked = before.indexOf(b.getAttribute("data-tick")) >= 0;
    b.addEventListener("change", keep);
  });
})();
