// The overview's movable map: a copy of the picture that stands on the page, laid on Leaflet.
(function (atlas) {
  "use strict";
  if (!atlas || !window.L) { return; }
  var box = document.getElementById("map_field");
  var standing = document.querySelector(".ov-picture.standing");
  var width = Number(standing.dataset.width);  // millimetres on paper
  var picture, bounds, dragged = false;

  // Ids twice on a page would make fills and clips point at the wrong picture.
  function copyOf(svg) {
    var copy = svg.cloneNode(true);
    copy.classList.remove("standing");
    copy.querySelector(".ov-measure").remove();
    copy.querySelectorAll("[id]").forEach(function (part) { part.id = "moving-" + part.id; });
    copy.querySelectorAll("[clip-path]").forEach(function (part) {
      part.setAttribute("clip-path", part.getAttribute("clip-path").replace("url(#", "url(#moving-"));
    });
    copy.removeAttribute("width");
    copy.removeAttribute("height");
    copy.setAttribute("viewBox", "0 0 " + width + " " + svg.dataset.height);
    return copy;
  }

  // Keeps words and outlines one size on the screen, whatever the zoom: about 15 px for a name.
  function sizeSigns() {
    var pixels = Math.pow(2, atlas.map.getZoom()) * (bounds[1][1] - bounds[0][1]);  // of the whole picture
    var k = Math.max(0.05, 5.5 * width / pixels);
    picture.style.setProperty("--k", k);
    picture.classList.toggle("is-small", pixels < 600);
    picture.classList.toggle("is-close", k < 0.25);  // room for numbers that had none on paper
    picture.querySelectorAll(".ov-closed").forEach(function (line) { line.setAttribute("dy", 2.9 * k); });
    makeRoom();
  }

  var APART = 6;  // pixels between words on one line: closer, two names read as one
  function meets(a, b) {
    return a.left < b.right + APART && b.left < a.right + APART && a.top < b.bottom && b.top < a.bottom;
  }

  // Words here are larger than on paper, where they were placed: a name that would stand on another label goes,
  // its number stays, and the list says whose it is.
  function makeRoom() {
    var labels = Array.from(picture.querySelectorAll(".ov-label"));
    labels.forEach(function (label) { label.classList.remove("is-tight"); });
    var whole = labels.map(function (label) { return label.getBoundingClientRect(); });
    var numbers = labels.map(function (label, i) {
      var number = label.querySelector(".ov-number").getBoundingClientRect();
      var middle = (whole[i].left + whole[i].right) / 2;
      return { left: middle - number.width / 2, right: middle + number.width / 2, top: number.top, bottom: number.bottom };
    });
    var named = [];
    labels.forEach(function (label, i) {
      var other = function (box, j) { return j !== i && meets(whole[i], box); };
      if (whole[i].width > box.clientWidth || named.some(function (j) { return other(whole[j], j); }) || numbers.some(other)) {
        label.classList.add("is-tight");
      } else {
        named.push(i);
      }
    });
  }

  function whole() {
    atlas.map.setMinZoom(-12);
    atlas.map.fitBounds(bounds, { animate: false });
    atlas.map.setMinZoom(atlas.map.getZoom() - 0.5);
    atlas.map.setMaxBounds(L.latLngBounds(bounds).pad(0.25));
    sizeSigns();
  }

  // Called by the map's own script.
  atlas.lift = function (map, box) {
    atlas.map = map;
    bounds = box;
    picture = copyOf(standing);
    L.svgOverlay(picture, bounds, { interactive: true }).addTo(map);
    map.on("zoomend", sizeSigns);
    map.on("dragstart", function () { dragged = true; });
    // A drag that ends on a field must not open its sheet, and a link must not be dragged itself.
    picture.addEventListener("pointerdown", function () { dragged = false; }, true);
    picture.addEventListener("click", function (event) { if (dragged) { event.preventDefault(); } }, true);
    picture.addEventListener("dragstart", function (event) { event.preventDefault(); });
  };

  function start() {
    atlas.drawMap();
    atlas.controls(atlas.map);
    document.documentElement.classList.add("ready");
    var shape = (bounds[1][0] - bounds[0][0]) / (bounds[1][1] - bounds[0][1]);
    box.style.height = Math.max(240, Math.min(box.clientWidth * shape, 0.75 * window.innerHeight)) + "px";
    atlas.map.invalidateSize({ animate: false });
    whole();
    document.querySelector(".ov-whole").addEventListener("click", whole);
  }

  try {
    start();
  } catch (error) {
    document.documentElement.classList.remove("ready");  // the standing picture is whole
    throw error;
  }
})(window.fieldAtlas);
