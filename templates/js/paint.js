// Repaints the page's pictures for a choice, and lifts a copy of the map into Leaflet to be moved and zoomed.
(function (atlas) {
  "use strict";
  const data = window.FIELD_ATLAS;
  if (!data) { return; }
  const UP_DOWN = 1, CUT_OFF = 1, NO_TURN = 2;
  const PX_PER_MM = 5;  // signs and words on the movable map: a little larger than on paper
  const cells = data.cells, picture = data.picture;

  function number(value) {
    const text = value.toFixed(1).replace(/\.0$/, "");
    return text === "-0" ? "0" : text;
  }

  function insideOf(key, zone, flags) {
    const n = data.zones.indexOf(key);
    if (n > UP_DOWN) { return function (k) { return zone[k] === n; }; }
    // ground that the machine does not get to bears that sign and no other of open ground
    if (n === UP_DOWN) { return function (k) { return zone[k] === n && !(flags[k] & CUT_OFF); }; }
    if (key === "cut_off") { return function (k) { return zone[k] <= UP_DOWN && (flags[k] & CUT_OFF) > 0; }; }
    return function (k) { return zone[k] <= UP_DOWN && (flags[k] & (CUT_OFF | NO_TURN)) === NO_TURN; };
  }

  // Paints a choice's zones and strokes into a picture.
  atlas.paint = function (svg, choice) {
    const zone = atlas.gridOf(choice, 0), flags = atlas.gridOf(choice, 2);
    svg.querySelectorAll("[data-zone]").forEach(function (path) {
      path.setAttribute("d", atlas.rings(insideOf(path.dataset.zone, zone, flags), cells.rows, cells.cols));
    });
    const s = data.strokes, lines = [], bobs = [];
    const open = insideOf("up_down", zone, flags);
    atlas.strokePlaces(open, cells.rows, cells.cols, s.every, s.apart).forEach(function (at) {
      const down = atlas.downhill(at[0], at[1]);
      if (!down) { return; }
      const dx = down.east * s.length, dy = -down.north * s.length;
      const x = cells.west - picture.west + (at[1] + 0.5) * cells.x - dx / 2;
      const y = picture.north - cells.north + (at[0] + 0.5) * cells.y - dy / 2;
      lines.push("M" + number(x) + " " + number(y) + "l" + number(dx) + " " + number(dy));
      bobs.push("M" + number(x + dx) + " " + number(y + dy) + "h0");
    });
    svg.querySelector(".zones > .plumb").setAttribute("d", lines.join(""));
    svg.querySelector(".zones > .bob").setAttribute("d", bobs.join(""));
  };

  // A copy with no ids of its own and its own fills, so that zooming never touches the printed picture.
  function copyOf(svg) {
    const copy = svg.cloneNode(true);
    copy.querySelectorAll("[id]").forEach(function (e) { e.removeAttribute("id"); });
    copy.removeAttribute("id");
    copy.removeAttribute("aria-labelledby");
    copy.querySelector("title").remove();
    copy.querySelectorAll(".off-paper").forEach(function (word) { word.classList.remove("off-paper"); });
    copy.querySelector(".strip").remove();
    copy.setAttribute("viewBox", "0 0 " + svg.dataset.width + " " + svg.dataset.height);
    copy.setAttribute("aria-hidden", "true");
    const defs = document.createElementNS("http://www.w3.org/2000/svg", "defs");
    document.querySelectorAll(".definitions .tile:not([id^=sample]):not([id^=view])").forEach(function (tile) {
      const own = tile.cloneNode(true);
      own.dataset.placed = tile.getAttribute("patternTransform");
      own.id = "moving-" + tile.id;
      defs.appendChild(own);
    });
    copy.insertBefore(defs, copy.firstChild);
    copy.querySelectorAll('[fill^="url(#"]').forEach(function (e) {
      e.setAttribute("fill", e.getAttribute("fill").replace("url(#", "url(#moving-"));
    });
    return copy;
  }

  // Keeps signs and words one size on the screen, whatever the zoom.
  function sizeSigns() {
    const k = Math.max(0.2, Math.min(4, PX_PER_MM / (Math.pow(2, atlas.map.getZoom()) * picture.mm)));
    atlas.picture.style.setProperty("--k", k);
    atlas.spaceWords(atlas.picture);
    atlas.picture.querySelectorAll(".tile").forEach(function (tile) {
      const rest = tile.dataset.placed.match(/^scale\(([\d.]+) ([\d.]+)\)(.*)$/);
      tile.setAttribute("patternTransform", "scale(" + rest[1] * k + " " + rest[2] * k + ")" + rest[3]);
    });
  }

  atlas.lift = function (map, bounds) {
    const standing = document.getElementById("zone-map") || document.getElementById("class-map");
    atlas.map = map;
    atlas.bounds = bounds;
    atlas.picture = copyOf(standing);
    map.setMinZoom(-8);
    map.setMaxZoom(6);
    L.svgOverlay(atlas.picture, bounds, { interactive: false }).addTo(map);
    atlas.controls(map);
    map.on("zoomend", sizeSigns);
  };

  // After the map has its place on the page.
  atlas.fit = function () {
    const box = document.getElementById("map_field"), b = atlas.bounds, ring = document.querySelector(".first-ring");
    const whole = box.clientWidth * (b[1][0] - b[0][0]) / (b[1][1] - b[0][1]);
    const bar = document.querySelector(".map-bar").offsetHeight;
    const below = ring.offsetHeight + bar + (window.innerWidth > 700 ? 200 : 10);  // room for what a tap tells
    const room = window.innerHeight - box.getBoundingClientRect().top - window.scrollY - below;
    box.style.height = Math.max(200, Math.min(whole, Math.max(room, 0.4 * window.innerHeight))) + "px";
    atlas.map.invalidateSize({ animate: false });
    atlas.map.setMinZoom(-8);
    atlas.map.fitBounds(atlas.bounds, { animate: false });
    atlas.map.setMinZoom(atlas.map.getZoom() - 0.5);
    atlas.map.setMaxBounds(L.latLngBounds(atlas.bounds).pad(0.25));
    sizeSigns();
  };

  // The farm's aerial picture in the place of the shading, or the shading again. Only for looking: the verdicts
  // lie over either. Returns whether the picture shows.
  atlas.swapAerial = function () {
    const a = data.aerial, shade = atlas.picture.querySelector(".shade"), old = atlas.picture.querySelector(".aerial");
    if (old) {
      old.remove();
      shade.removeAttribute("display");
      return false;
    }
    const image = document.createElementNS("http://www.w3.org/2000/svg", "image");
    const place = { x: a.west - picture.west, y: picture.north - a.north, width: a.east - a.west,
      height: a.north - a.south, preserveAspectRatio: "none", href: "data:image/jpeg;base64," + a.jpeg };
    Object.keys(place).forEach(function (key) { image.setAttribute(key, place[key]); });
    image.setAttribute("class", "aerial");
    shade.setAttribute("display", "none");
    shade.after(image);
    return true;
  };

  // A small ring where the last tap was.
  atlas.markTap = function (x, y) {
    const old = atlas.picture.querySelector(".tapped");
    if (old) { old.remove(); }
    if (x === null) { return; }
    const g = document.createElementNS("http://www.w3.org/2000/svg", "g");
    g.setAttribute("class", "tapped");
    g.setAttribute("transform", "translate(" + number(x - picture.west) + " " + number(picture.north - y) +
      ") scale(" + picture.mm + ")");
    g.innerHTML = '<g class="mark"><circle class="tapped-out" r="2.4"/><circle class="tapped-in" r="2.4"/></g>';
    atlas.picture.appendChild(g);
  };
})(window.fieldAtlas);
