// Where the device is, in the terrain's metres, from the browser's own positioning. Asks nothing of the network itself.
//   atlas.position.follow(onFix, onFail) → a function that stops;  atlas.position.once(onFix, onFail) → the same
//   a fix: {x, y (terrain metres), lon, lat, accuracy (m, as the device says), at (ms, when it came),
//           heading (degrees clockwise from the grid's north) and speed (m/s), each null where the device gives none}
//   onFail(reason): "none" "insecure" "denied" "timeout" "stale"; atlas.position.why(reason) is the sentence.
// "stale" comes while following, when no new fix came for STALE_MS; the next fix ends it. "timeout" and "none" may end
// the same way, "insecure" and "denied" do not.
(function (atlas) {
  "use strict";
  const data = window.FIELD_ATLAS;
  if (!data) { return; }
  const STALE_MS = 8000, ASK_AGAIN_MS = 3000, FIRST_MS = 30000;
  const REASONS = { 1: "denied", 2: "none", 3: "timeout" };  // GeolocationPositionError.code, W3C Geolocation

  // Longitude and latitude (WGS 84) → terrain metres, by the field's own fit.
  function metres(lon, lat) {
    const p = data.place, v = lat - p.lat, turn = lon - p.lon, u = turn - 360 * Math.round(turn / 360);
    const terms = [1, u, v, u * u, u * v, v * v];
    function sum(fit) { return fit.reduce(function (all, a, k) { return all + a * terms[k]; }, 0); }
    return { x: sum(p.fit_x), y: sum(p.fit_y) };
  }

  // A true heading as one of the grid: the same small step, told in terrain metres.
  function onGrid(heading, lon, lat) {
    if (typeof heading !== "number" || isNaN(heading)) { return null; }
    const step = 1e-5, way = heading * Math.PI / 180, from = metres(lon, lat);
    const to = metres(lon + step * Math.sin(way) / Math.cos(lat * Math.PI / 180), lat + step * Math.cos(way));
    return (Math.atan2(to.x - from.x, to.y - from.y) * 180 / Math.PI + 360) % 360;
  }

  function known(value) { return typeof value === "number" && isFinite(value) ? value : null; }

  function fixOf(position, now) {
    const c = position.coords, at = metres(c.longitude, c.latitude);
    return { x: at.x, y: at.y, lon: c.longitude, lat: c.latitude, accuracy: c.accuracy, at: now,
      heading: onGrid(c.heading, c.longitude, c.latitude), speed: known(c.speed) };
  }

  function cannot() { return navigator.geolocation ? "" : unless("none"); }
  // A browser that holds this page to be insecure refuses without asking anybody: that is another reason.
  function unless(reason) { return window.isSecureContext ? reason : "insecure"; }
  function reasonOf(error) {
    const reason = REASONS[error.code] || "none";
    return reason === "denied" ? unless(reason) : reason;
  }
  function final(reason) { return reason === "denied" || reason === "insecure"; }

  function follow(onFix, onFail) {
    const why = cannot();
    let heard = Date.now(), stamp = null, said = "", stopped = false, asking = false;
    if (why) { onFail(why); return function () {}; }

    // A device may hand out its last fix again where it has no new one: the same time stamp is no news.
    function took(position) {
      if (stopped || position.timestamp === stamp) { return; }
      stamp = position.timestamp;
      heard = Date.now();
      said = "";
      onFix(fixOf(position, heard));
    }
    function failed(reason) {
      if (stopped || said === reason || final(said)) { return; }
      said = reason;
      onFail(reason);
    }
    // Once fixes have come, a hiccup of the device is no news until it has lasted: that is "stale".
    function told(error) {
      const reason = reasonOf(error);
      if (stamp === null || final(reason)) { failed(reason); }
    }
    // A device standing still may report nothing: it is asked, so that silence means that it does not know.
    function look() {
      const quiet = Date.now() - heard;
      if (quiet > ASK_AGAIN_MS && !asking && !final(said)) {
        asking = true;
        navigator.geolocation.getCurrentPosition(function (position) { asking = false; took(position); },
          function () { asking = false; }, { enableHighAccuracy: true, maximumAge: 0, timeout: STALE_MS });
      }
      if (stamp !== null && quiet > STALE_MS && !said) { failed("stale"); }
    }
    const id = navigator.geolocation.watchPosition(took, told,
      { enableHighAccuracy: true, maximumAge: 0, timeout: FIRST_MS });
    const timer = setInterval(look, 1000);
    return function () {
      stopped = true;
      clearInterval(timer);
      navigator.geolocation.clearWatch(id);
    };
  }

  function once(onFix, onFail) {
    const why = cannot();
    let stopped = false;
    if (why) { onFail(why); return function () {}; }
    navigator.geolocation.getCurrentPosition(
      function (position) { if (!stopped) { onFix(fixOf(position, Date.now())); } },
      function (e) { if (!stopped) { onFail(reasonOf(e)); } },
      { enableHighAccuracy: true, maximumAge: 0, timeout: FIRST_MS });
    return function () { stopped = true; };
  }

  atlas.metres = metres;
  atlas.position = { follow: follow, once: once, why: function (reason) { return data.words["position_" + reason]; } };
})(window.fieldAtlas);
