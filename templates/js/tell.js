// What a tap on the map tells: the verdict, what decided it with both numbers, steepness, sideways tilt.
(function (atlas) {
  "use strict";
  const data = window.FIELD_ATLAS;
  if (!data) { return; }
  const UP_DOWN = 1, ON_FOOT = 2, KEEP_OUT = 3, UNSURVEYED = 4;
  const REASON = data.reasons, say = data.words;
  const HAIR = 0.1;  // percent: heights come in millimetres, which moves a gradient by less than this

  const fill = atlas.fill;

  function upward(percent, step) { return Math.ceil((percent - HAIR) / step) * step; }
  function downward(percent, step) { return Math.floor((percent + HAIR) / step) * step; }
  function steep(percent, decimals) {
    const degrees = Math.atan(percent / 100) * 180 / Math.PI;
    return atlas.number(percent, decimals) + " % (" + atlas.number(degrees, decimals) + "°)";
  }
  // Rounded up, never down.
  function steepUp(gradient) { return steep(Math.max(0, upward(100 * gradient, 1)), 0); }

  // Both numbers with as many decimals as it takes to see which is larger.
  function pair(found, limit) {
    const over = found > limit, f = 100 * found, l = 100 * limit;
    if (over ? upward(f, 1) > downward(l, 1) : upward(f, 1) <= downward(l, 1)) {
      return { found: steep(upward(f, 1), 0), limit: steep(downward(l, 1), 0) };
    }
    return { found: steep(f, 1), limit: steep(l, 1) };
  }

  function limitsOf(choice) {
    const d = data.drives[choice];
    const row = data.limits.find(function (l) { return l[0] === d.machine && l[1] === d.ground && l[2] === d.driver; });
    return { side: row[3], climb: row[4], grip_up: row[5], grip_down: row[6], on_foot: row[7],
      rollAdds: row[8] + row[10], pitchAdds: row[9] + row[11], rollError: row[10], pitchError: row[11] };
  }

  // What not knowing the heights adds to a stance gradient: stance_error in atlas/driving/limits.py.
  function stanceAdds(l, roll, pitch, stance) {
    const small = Math.min(l.rollError, l.pitchError), large = Math.max(l.rollError, l.pitchError);
    const part = l.rollError >= l.pitchError ? roll : pitch, share = stance > part ? part / stance : 1;
    return Math.sqrt(small * small + (large * large - small * small) * share * share);
  }

  // Tilt with everything counted in, over all headings ("any") or those near the fall line ("fall").
  function counted(s, set, l) {
    const roll = s[set + "Roll"], pitch = s[set + "Pitch"], stance = s[set + "Stance"];
    return { side: roll + l.rollAdds, climb: pitch + l.pitchAdds, grip: stance + stanceAdds(l, roll, pitch, stance) };
  }

  // {found, limit} of the limit that decided, rise over run, what is counted in included; null where it is no number.
  atlas.decided = function (choice, row, col) {
    const v = atlas.verdictOf(choice, row, col), limit = limitsOf(choice);
    const machine = data.machines.find(function (m) { return m.key === data.drives[choice].machine; });
    const s = atlas.standAt(machine, row, col), all = counted(s, v.zone === UP_DOWN ? "any" : "fall", limit);
    const found = { side: all.side, climb: all.climb, grip_up: all.grip, grip_down: all.grip, on_foot: s.steep };
    const key = Object.keys(found).find(function (k) { return REASON[k] === v.reason; });
    return key ? { key: key, found: found[key], limit: limit[key] } : null;
  };

  function because(choice, row, col, v) {
    if (v.reason >= REASON.tag) {
      const tag = data.tags.find(function (t) { return t.tag === v.reason - REASON.tag; });
      if (!tag) { return ""; }
      const soft = tag.soft && v.zone < KEEP_OUT;
      return fill(soft ? say.tag_soft : say.tag, Object.assign({}, tag, { kind: tag.severity ? tag.kind + " (" + tag.severity + ")" : tag.kind }));
    }
    const number = atlas.decided(choice, row, col);
    if (number) { return fill(say[number.key], pair(number.found, number.limit)); }
    const key = Object.keys(REASON).find(function (k) { return REASON[k] === v.reason; });
    return say[key] || "";
  }

  function withinNumbers(choice, s) {
    const l = limitsOf(choice), all = counted(s, "any", l);
    return fill(say.numbers, {
      side: small(all.side, l.side), climb: small(all.climb, l.climb),
      grip: small(all.grip, Math.min(l.grip_up, l.grip_down)),
    });
  }
  function small(found, limit) {
    const l = downward(100 * limit, 1);
    return fill(say.of, { found: Math.min(Math.max(0, upward(100 * found, 1)), l), limit: l });
  }

  // Lines of text for a place in the terrain's grid; the first is the verdict.
  atlas.tellAt = function (choice, x, y) {
    const at = atlas.cellAt(x, y), v = atlas.verdictOf(choice, at.row, at.col);
    const closed = atlas.closedHere ? atlas.closedHere(x, y) : null;  // by a mark made on this device
    if (closed) { return [say.zones[data.zones[KEEP_OUT]], closed.why]; }
    if (v.zone === 255) { return [say.outside]; }
    const machine = data.machines.find(function (m) { return m.key === data.drives[choice].machine; });
    const s = atlas.standAt(machine, at.row, at.col), out = [say.zones[data.zones[v.zone]]];
    if (v.zone <= UP_DOWN && v.flags & 1) { out.push(say.cut_off); }
    if (v.zone <= UP_DOWN && v.flags & 2) { out.push(say.no_turn); }
    if (v.zone === 0) { out.push(fill(say.within, { numbers: withinNumbers(choice, s) })); }
    const why = v.zone ? because(choice, at.row, at.col, v) : "";
    if (why) { out.push(fill(say.because, { what: why })); }
    if (v.zone === 0 || v.reason >= REASON.side && v.reason <= REASON.grip_down) { out.push(say.counted); }
    if (v.zone !== UNSURVEYED || !isNaN(s.steep)) {
      if (!isNaN(s.steep)) { out.push(fill(say.steepness, { steep: steepUp(s.steep) })); }
      out.push(isNaN(s.anyRoll) ? say.tilt_unknown : fill(say.tilt, { steep: steepUp(s.anyRoll) }));
    }
    if (v.zone >= ON_FOOT && machine.walked) { out.push(say.hand_tools); }
    return atlas.marksTold ? out.concat(atlas.marksTold(x, y)) : out;
  };

  // Terrain metres → longitude and latitude, by turning the field's own fit round (two steps reach millimetres).
  atlas.lonLat = function (x, y) {
    const p = data.place, a = p.fit_x, b = p.fit_y;
    let u = 0, v = 0;
    for (let k = 0; k < 4; k += 1) {
      const fx = a[0] + a[1] * u + a[2] * v + a[3] * u * u + a[4] * u * v + a[5] * v * v - x;
      const fy = b[0] + b[1] * u + b[2] * v + b[3] * u * u + b[4] * u * v + b[5] * v * v - y;
      const xu = a[1] + 2 * a[3] * u + a[4] * v, xv = a[2] + a[4] * u + 2 * a[5] * v;
      const yu = b[1] + 2 * b[3] * u + b[4] * v, yv = b[2] + b[4] * u + 2 * b[5] * v;
      const d = xu * yv - xv * yu;
      u -= (fx * yv - fy * xv) / d;
      v -= (fy * xu - fx * yu) / d;
    }
    return { lon: p.lon + u, lat: p.lat + v };
  };
})(window.fieldAtlas);
