// The bars that aids show at the head of the screen, over the page: they take their room from the page's top.
(function (atlas) {
  "use strict";
  const bars = document.querySelector(".aid-bars");
  if (!bars) { return; }

  // Room only grows while a bar shows, so that the page does not jump under a finger with every change of words.
  let room = 0;
  atlas.makeRoom = function () {
    room = bars.offsetHeight ? Math.max(room, bars.offsetHeight) : 0;
    document.body.style.paddingTop = room + "px";
  };

  // The map just below the bars.
  atlas.bringMapIntoView = function () {
    const map = document.getElementById("map_field");
    if (map) { window.scrollTo(0, window.scrollY + map.getBoundingClientRect().top - bars.offsetHeight - 4); }
  };

  window.addEventListener("resize", function () { room = 0; atlas.makeRoom(); });
})(window.fieldAtlas);
