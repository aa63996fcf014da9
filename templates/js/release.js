// The lead's release, held against the device's own clock: how long it still runs, that it has run out, or that the
// clock cannot be right. Only while it runs does its ground count; needs no network.
(function (atlas) {
  "use strict";
  const data = window.FIELD_ATLAS;
  if (!data) { return; }
  const say = data.words, release = data.release;
  const MINUTE = 60000, LONGEST_WAIT = 20000;

  // "early", "running" or "over" at a moment in milliseconds.
  atlas.releaseAt = function (now) {
    if (now >= Date.parse(release.until)) { return "over"; }
    return now < Date.parse(release.from) - atlas.apart || atlas.clockBehind(now) ? "early" : "running";
  };

  // "3 h 20 min", rounded down: never more than is left.
  function length(ms) {
    const minutes = Math.floor(ms / MINUTE), d = Math.floor(minutes / 1440), h = Math.floor(minutes / 60) % 24;
    if (minutes < 1) { return say.under_a_minute; }
    const parts = { d: d, h: h, m: minutes % 60 };
    return atlas.fill(d ? say.days_hours : h ? say.hours_minutes : say.minutes, parts);
  }

  // By the device's own clock; with the day where it is another one than today.
  function moment(time, today) {
    const clock = { hour: "2-digit", minute: "2-digit" }, day = { day: "numeric", month: "long" };
    const same = new Date(time).toDateString() === new Date(today).toDateString();
    return new Date(time).toLocaleString(atlas.language, same ? clock : Object.assign(day, clock));
  }

  function lines(state, now) {
    const ground = key(release.ground) || key(data.need), need = key(data.need);
    if (state === "running") {
      return [atlas.fill(say.left, { time: length(Date.parse(release.until) - now) }),
        atlas.fill(say.released, { by: release.by, ground: ground, until: moment(Date.parse(release.until), now) })];
    }
    const why = state === "over" ? atlas.fill(say.ran_out, { until: moment(Date.parse(release.until), now) })
      : atlas.fill(say.clock_behind, { now: moment(now, 0) });
    return [say.not_released, why + " " + atlas.fill(say.counts, { ground: need })];
  }
  function key(ground) {
    const found = data.grounds.find(function (g) { return g.key === ground; });
    return found ? found.label : "";
  }

  // What was printed on the page stays for paper while the release runs; afterwards paper says what the screen says.
  function show(box, state, now) {
    const told = lines(state, now), running = state === "running";
    box.querySelectorAll(".release-now").forEach(function (p) { p.remove(); });
    Array.prototype.forEach.call(box.children, function (p) {
      p.classList.toggle("as-printed", running);
      p.hidden = !running;
    });
    told.forEach(function (text, k) {
      const p = document.createElement("p");
      p.className = "release-now" + (k ? "" : " release-first") + (running ? " live" : "");
      p.textContent = text;
      box.append(p);
    });
    box.classList.toggle("not-released", !running);
  }

  // Calls countAs(ground) now and whenever the ground that counts may have changed.
  atlas.watchRelease = function (countAs) {
    if (!release) { return; }
    let over = false, waiting = 0, last = "";
    function look() {
      const now = Date.now();
      over = over || atlas.releaseAt(now) === "over";  // a clock set back does not bring a release back
      const state = over ? "over" : atlas.releaseAt(now);
      const text = lines(state, now).join();
      if (text !== last) {
        last = text;
        document.querySelectorAll("[data-release]").forEach(function (box) { show(box, state, now); });
        countAs(state === "running" ? data.counts_as : data.need);
      }
      clearTimeout(waiting);
      waiting = setTimeout(look, Math.max(250, Math.min(LONGEST_WAIT, Date.parse(release.until) - now)));
    }
    look();
    ["focus", "pageshow"].forEach(function (name) { window.addEventListener(name, look); });
    document.addEventListener("visibilitychange", look);  // a tablet that slept
  };
})(window.fieldAtlas);
