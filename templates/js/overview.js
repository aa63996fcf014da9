// The overview's finder, and releases that run out while the page is open.
(function () {
  "use strict";

  var box = document.getElementById("ov-find");
  var rows = Array.prototype.slice.call(document.querySelectorAll("tr[data-find]"));
  var found = document.querySelector(".ov-found");

  // Outlines and labels by field, gathered once: a farm may have thousands.
  var parts = null;
  function partsOf(field) {
    if (!parts) {
      parts = {};
      document.querySelectorAll(".ov-picture [data-field]").forEach(function (part) {
        (parts[part.dataset.field] = parts[part.dataset.field] || []).push(part);
      });
    }
    return parts[field] || [];
  }

  function find() {
    var wanted = window.fieldAtlas.folded(box.value).split(/\s+/).filter(Boolean);
    var left = 0;
    rows.forEach(function (row) {
      var here = wanted.every(function (word) { return row.dataset.find.indexOf(word) >= 0; });
      row.hidden = !here;
      left += here ? 1 : 0;
      partsOf(row.dataset.field).forEach(function (part) {
        part.classList.toggle("is-away", !here);
        part.classList.toggle("is-found", here && wanted.length > 0);
      });
    });
    found.textContent = wanted.length
      ? found.dataset.words.replace("{n}", left).replace("{all}", rows.length) : "";
    show(wanted.length && left <= 6 ? rows.filter(function (row) { return !row.hidden; }) : []);
  }

  // The few that are left, right below the box: the list itself stands further down.
  function show(few) {
    var hits = document.querySelector(".ov-hits");
    hits.textContent = "";
    few.forEach(function (row) {
      var item = document.createElement("li");
      var link = row.querySelector("a").cloneNode(true);
      link.textContent = row.dataset.field + " " + link.textContent;
      item.appendChild(link);
      hits.appendChild(item);
    });
  }

  if (box) {
    document.querySelector(".ov-finder").hidden = false;
    box.addEventListener("input", find);
    box.addEventListener("keydown", function (event) {
      var here = rows.filter(function (row) { return !row.hidden; });
      if (event.key === "Enter" && here.length === 1) { here[0].querySelector("a").click(); }
    });
  }

  function check() {
    var now = Date.now(), behind = window.fieldAtlas.clockBehind(now);
    document.querySelectorAll("[data-until]").forEach(function (place) {
      var ended = new Date(place.dataset.until).getTime() <= now, over = ended || behind;
      place.classList.toggle("is-over", over);
      if (place.classList.contains("ov-field")) { place.classList.toggle("is-released", !over); }
      if (ended) { place.removeAttribute("data-until"); }
    });
    var none = document.querySelector(".ov-none"), wrong = document.querySelector(".ov-behind");
    if (wrong) { wrong.hidden = !behind; }
    if (none) { none.hidden = document.querySelector("li[data-until]:not(.is-over)") !== null; }
  }
  check();
  window.setInterval(check, 20000);
})();
