// Words on the movable map keep one size on the screen whatever the zoom: what found room on paper may not find it here.
(function (atlas) {
  "use strict";
  const GAP = 3;  // pixels between two words on one line; above and below letters their own boxes leave some

  // Where a way's name may stand beside its sign: millimetres across and down to its foot, and which part of the name
  // stands there. First where it is on paper, then on that side of the sign, which is outside the field, then elsewhere.
  function besideWay(right, foot, part) {
    const out = foot < 0 ? [-5.6, -6.6, -9, 7.4, 10.8] : [7.4, 8.4, 10.8, -5.6, -9], places = [[right, foot, part]];
    out.forEach(function (y) { places.push([0, y, "middle"], [-3, y, "start"], [3, y, "end"]); });
    return places.concat([[5.6, 1, "start"], [-5.6, 1, "end"]]);
  }

  function meets(a, b) {
    return a.left < b.right + GAP && b.left < a.right + GAP && a.top < b.bottom && b.top < a.bottom;
  }
  function holds(frame, a) {
    return a.left >= frame.left && a.right <= frame.right && a.top >= frame.top && a.bottom <= frame.bottom;
  }

  // Names of ways in look for a free place beside their sign, coordinates at either end of their line. Of all words those
  // that would stand on another word or sign, or be cut by the frame, go.
  atlas.spaceWords = function (picture) {
    const frame = picture.querySelector(".frame-edge").getBoundingClientRect();
    const taken = Array.from(picture.querySelectorAll(".tag-box, .way-posts, .way-arrow"), function (sign) {
      return sign.getBoundingClientRect();
    });
    function fits(word) {
      const box = word.getBoundingClientRect();
      if (!holds(frame, box) || taken.some(function (other) { return meets(other, box); })) { return false; }
      taken.push(box);
      return true;
    }
    function place(word, places) {
      word.classList.toggle("no-room", !places.some(function (at) {
        word.setAttribute("x", at[0]);
        word.setAttribute("y", at[1]);
        if (at[2]) { word.setAttribute("text-anchor", at[2]); }
        return fits(word);
      }));
    }
    picture.querySelectorAll(".way-name").forEach(function (name) {
      const own = name.dataset;
      if (!own.foot) {
        own.right = name.getAttribute("x");
        own.foot = name.getAttribute("y");
        own.part = name.getAttribute("text-anchor");
      }
      place(name, besideWay(own.right, own.foot, own.part));
    });
    picture.querySelectorAll(".neighbour-name").forEach(function (name) { name.classList.toggle("no-room", !fits(name)); });
    const mm = picture.querySelector(".coordinate") && picture.querySelector(".coordinate").getScreenCTM().a;  // in pixels
    picture.querySelectorAll(".coordinate").forEach(function (word) {
      const long = word.getBoundingClientRect().width / mm;
      place(word, word.classList.contains("north") ? [[1.9, 0.7], [(frame.right - frame.left) / mm - long - 1.9, 0.7]]
        : [[0.6, 3.6], [0.6, (frame.bottom - frame.top) / mm - 2.2]]);
    });
    picture.querySelectorAll(".height").forEach(function (word) { word.classList.toggle("no-room", !fits(word)); });
  };
})(window.fieldAtlas);
