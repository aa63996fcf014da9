// The tablet's "up", from the browser's orientation and motion events, smoothed; and whether a hand is moving it.
//   atlas.gravity.follow(onTick, onFail) → a function that stops. A tick, ten times a second: {up, raw, alpha, beta,
//   gamma, moved}; up is smoothed, raw is not, alpha is null where the device knows no turning about the vertical.
//   onFail(reason): "none" "insecure" "denied" "stopped". After "stopped" ticks may come again.
// The orientation is the steadier source (the device has taken the shaking out of it); without one, the pull itself.
(function (atlas) {
  "use strict";
  const TICK_MS = 100, SMOOTH_MS = 500, WAIT_MS = 3000, CALM_MS = 2000;
  // A hand at work, set well above what a machine does on a field (common sense, no source): the pull differs from
  // gravity for a third of a second, or the tablet turns faster than a machine could, or "up" swings that far.
  const GRAVITY = 9.81, PULL = 1.5, TURN_DEG_S = 60, FILTER_MS = 300, SWING_DEG = 20, SWING_TICKS = 5;

  // A browser that holds this page to be insecure gives it no events, or does not even know of them.
  function none() { return window.isSecureContext ? "none" : "insecure"; }
  function cannot() { return window.DeviceOrientationEvent || window.DeviceMotionEvent ? "" : none(); }

  // Where the system asks first (it does so only from a press). Resolves to "" or "denied".
  function ask() {
    const asked = [window.DeviceOrientationEvent, window.DeviceMotionEvent].filter(function (kind) {
      return kind && typeof kind.requestPermission === "function";
    }).map(function (kind) { return kind.requestPermission(); });
    return Promise.all(asked).then(function (said) {
      return said.every(function (s) { return s === "granted"; }) ? "" : "denied";
    }, function () { return "denied"; });
  }

  function blend(old, now, ms, over) {
    const k = ms / (ms + over);
    return old ? old.map(function (v, i) { return v + k * (now[i] - v); }) : now;
  }

  // Pull and turning, filtered from motion events.
  function motion() {
    const out = { pull: null, size: null, turn: [0, 0, 0], at: 0 };
    out.heard = function (e) {
      const g = e.accelerationIncludingGravity, r = e.rotationRate, ms = e.interval > 0 && e.interval < 1000 ? e.interval : 16;
      if (!g || typeof g.x !== "number" || typeof g.y !== "number" || typeof g.z !== "number") { return; }
      const now = [g.x, g.y, g.z];
      out.pull = blend(out.pull, now, ms, FILTER_MS);
      out.size = blend(out.size, [Math.hypot.apply(null, now)], ms, FILTER_MS);
      if (r && typeof r.alpha === "number") { out.turn = blend(out.turn, [r.alpha, r.beta, r.gamma], ms, FILTER_MS); }
      out.at = Date.now();
    };
    out.byHand = function () {
      return out.size !== null && Math.abs(out.size[0] - GRAVITY) > PULL || Math.hypot.apply(null, out.turn) > TURN_DEG_S;
    };
    return out;
  }

  function listen(onTick, onFail) {
    const moving = motion(), began = Date.now(), past = [];
    let last = null, up = null, movedAt = -Infinity, before = began, failed = "";
    function oriented(e) {
      if (e.beta !== null && e.gamma !== null) { last = { alpha: e.alpha, beta: e.beta, gamma: e.gamma }; }
    }
    function fail(reason) {
      if (failed !== reason) { onFail(reason); }
      failed = reason;
    }
    function tick() {
      const now = Date.now(), ms = Math.max(1, now - before);
      before = now;
      const raw = last ? atlas.tilting.upOf(last.beta, last.gamma) : moving.pull ? atlas.tilting.unit(moving.pull) : null;
      if (!raw) { if (now - began > WAIT_MS) { fail(none()); } return; }
      if (moving.at && now - moving.at > WAIT_MS) { up = null; fail("stopped"); return; }
      failed = "";
      past.push(raw);
      if (past.length > SWING_TICKS) { past.shift(); }
      if (moving.byHand() || atlas.tilting.angle(past[0], raw) > SWING_DEG) { movedAt = now; }
      up = atlas.tilting.unit(blend(up, raw, ms, SMOOTH_MS));
      onTick({ up: up, raw: raw, alpha: last ? last.alpha : null, beta: last ? last.beta : null,
        gamma: last ? last.gamma : null, moved: now - movedAt < CALM_MS });
    }
    window.addEventListener("deviceorientation", oriented);
    window.addEventListener("devicemotion", moving.heard);
    const timer = setInterval(tick, TICK_MS);
    return function () {
      clearInterval(timer);
      window.removeEventListener("deviceorientation", oriented);
      window.removeEventListener("devicemotion", moving.heard);
    };
  }

  atlas.gravity = {
    follow: function (onTick, onFail) {
      const why = cannot();
      let stop = null, stopped = false;
      if (why) { onFail(why); return function () {}; }
      ask().then(function (refused) {
        if (stopped) { return; }
        if (refused) { onFail(refused); } else { stop = listen(onTick, onFail); }
      });
      return function () {
        stopped = true;
        if (stop) { stop(); }
      };
    },
  };
})(window.fieldAtlas);
