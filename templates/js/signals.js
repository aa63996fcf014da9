// What reaches a driver who is not looking: sound and vibration, and a screen that stays awake. What the browser does
// not grant is named, never passed over.
(function (atlas) {
  "use strict";
  const data = window.FIELD_ATLAS;
  if (!data) { return; }
  // Tones as [hertz, seconds]; 0 is a pause. Each warning has a rhythm of its own, told apart by ear and by hand.
  const TONES = {
    near: [[880, 0.15], [0, 0.1], [880, 0.15]],
    across: [[660, 0.2], [990, 0.2], [660, 0.2], [990, 0.2]],
    inside: [[1320, 0.3], [0, 0.08], [1320, 0.3], [0, 0.08], [1320, 0.6]],
    outside: [[440, 0.5], [0, 0.15], [440, 0.5]],
    lost: [[520, 0.25], [390, 0.4]],
    tilt: [[1040, 0.12], [0, 0.08], [1040, 0.12], [0, 0.08], [1040, 0.12]],
    limit: [[1568, 0.8], [0, 0.1], [1568, 0.8]],
  };
  const LOUD = 0.6;
  let audio = null, lock = null, wanted = 0;

  function play(tones) {
    if (!audio) { return; }
    let at = audio.currentTime + 0.02;
    tones.forEach(function (tone) {
      if (tone[0]) {
        const made = audio.createOscillator(), gain = audio.createGain();
        made.type = "square";
        made.frequency.value = tone[0];
        gain.gain.value = LOUD;
        made.connect(gain);
        gain.connect(audio.destination);
        made.start(at);
        made.stop(at + tone[1]);
      }
      at += tone[1];
    });
  }

  function hold() {
    if (!navigator.wakeLock || lock || document.visibilityState !== "visible") { return Promise.resolve(); }
    return navigator.wakeLock.request("screen").then(function (got) {
      lock = got;
      got.addEventListener("release", function () { lock = null; });
      if (!wanted) { got.release(); }
    }, function () { lock = null; });
  }

  atlas.signals = {
    // To be called from a press: browsers let a page sound only then. Resolves to the words for what is not to be had.
    begin: function () {
      const Audio = window.AudioContext || window.webkitAudioContext;
      wanted += 1;
      if (Audio && !audio) { audio = new Audio(); }
      if (audio && audio.resume) { audio.resume(); }
      return hold().then(function () {
        const say = data.words, lacks = [];
        if (!audio) { lacks.push(say.no_sound); }
        if (!navigator.vibrate) { lacks.push(say.no_vibration); }
        if (!lock) { lacks.push(say.no_wake_lock); }
        return lacks;
      });
    },
    end: function () {
      wanted = Math.max(0, wanted - 1);
      if (!wanted && lock) { lock.release(); }
    },
    warn: function (kind) {
      const tones = TONES[kind];
      play(tones);
      if (navigator.vibrate) { navigator.vibrate(tones.map(function (t) { return Math.round(1000 * t[1]); })); }
    },
  };
  document.addEventListener("visibilitychange", function () { if (wanted) { hold(); } });
})(window.fieldAtlas);
