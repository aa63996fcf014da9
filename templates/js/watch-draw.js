// The machine on the movable map: its outline to scale, turned to the way of travel, a dashed ring as wide as the
// position may be wrong, and a broken line as far ahead as the sheet warns.
(function (atlas) {
  "use strict";
  const data = window.FIELD_ATLAS;
  if (!data) { return; }
  const NS = "http://www.w3.org/2000/svg", WHEEL_M = [0.3, 0.8], VIEW_M = 80, CLOSEST = 6;

  function draw(into, tag, name, facts) {
    const e = document.createElementNS(NS, tag);
    Object.keys(facts).forEach(function (key) { e.setAttribute(key, facts[key]); });
    e.setAttribute("class", name);
    into.appendChild(e);
  }
  // Twice: a white line under the black one, so that it stands out on any hatching.
  function drawTwice(into, tag, name, facts) {
    draw(into, tag, name + "-halo", facts);
    draw(into, tag, name, facts);
  }

  function outline(into, m) {
    const w = m.width / 2, l = m.wheelbase / 2, t = m.track / 2;
    drawTwice(into, "path", "machine-body", { d: "M" + -w + " " + -l + "h" + 2 * w + "v" + 2 * l + "h" + -2 * w + "z" +
      "M" + -w / 2 + " " + -l + "L0 " + (-l - w / 2) + "L" + w / 2 + " " + -l });
    [[-t, -l], [t, -l], [-t, l], [t, l]].forEach(function (at) {
      draw(into, "rect", "machine-wheel", { x: at[0] - WHEEL_M[0] / 2, y: at[1] - WHEEL_M[1] / 2,
        width: WHEEL_M[0], height: WHEEL_M[1] });
    });
  }

  function remove() {
    const old = atlas.picture && atlas.picture.querySelector(".machine");
    if (old) { old.remove(); }
  }

  // Without a way of travel the machine is a round spot as large as the whole machine: which way it faces is not known.
  function drawMachine(fix, way, machine, near) {
    const g = document.createElementNS(NS, "g"), ahead = near + fix.accuracy;
    g.setAttribute("class", "machine");
    g.setAttribute("transform", "translate(" + (fix.x - data.picture.west) + " " + (data.picture.north - fix.y) + ")" +
      " rotate(" + (way || 0) + ")");
    drawTwice(g, "circle", "machine-ring", { r: Math.max(fix.accuracy, 0.1) });
    if (way === null) {
      drawTwice(g, "circle", "machine-body", { r: machine.half_extent });
    } else {
      drawTwice(g, "path", "machine-way", { d: "M0 " + -machine.wheelbase / 2 + "V" + -ahead });
      outline(g, machine);
    }
    remove();
    atlas.picture.appendChild(g);
  }

  // The first fix brings the machine close; later ones only move the map when the machine nears its edge.
  function keepInView(fix, first) {
    const map = atlas.map, at = [fix.y, fix.x];
    if (first) {
      const size = map.getSize(), zoom = Math.log(Math.min(size.x, size.y) / VIEW_M) / Math.LN2;
      map.setView(at, Math.min(CLOSEST, Math.max(zoom, map.getZoom())), { animate: false });
    } else if (!map.getBounds().pad(-0.2).contains(at)) {
      map.panTo(at, { animate: false });
    }
  }

  atlas.machineOnMap = { draw: drawMachine, remove: remove, keepInView: keepInView };
})(window.fieldAtlas);
