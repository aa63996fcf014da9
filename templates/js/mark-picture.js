// A picture from the camera, made small on the device: a camera's own would fill the store and the marks file. Drawn
// anew, it also loses what the camera wrote beside the pixels.
//   atlas.smallPicture(file) → a promise of a JPEG as a data address; fails where the file is no picture
(function (atlas) {
  "use strict";
  const data = window.FIELD_ATLAS;
  if (!data) { return; }
  const bounds = data.marking.picture, QUALITIES = [0.8, 0.65, 0.5, 0.35], SMALLEST_PX = 64;

  function read(file) {
    return new Promise(function (resolve, reject) {
      const reader = new FileReader();
      reader.onload = function () { resolve(reader.result); };
      reader.onerror = function () { reject(reader.error); };
      reader.readAsDataURL(file);
    });
  }
  function decoded(address) {
    return new Promise(function (resolve, reject) {
      const image = new Image();
      image.onload = function () { resolve(image); };
      image.onerror = function () { reject(new Error("no picture")); };
      image.src = address;
    });
  }
  function drawn(image, side) {
    const scale = Math.min(1, side / Math.max(image.naturalWidth, image.naturalHeight));
    const canvas = document.createElement("canvas"), pen = canvas.getContext("2d");
    canvas.width = Math.max(1, Math.round(image.naturalWidth * scale));
    canvas.height = Math.max(1, Math.round(image.naturalHeight * scale));
    pen.fillStyle = "#fff";
    pen.fillRect(0, 0, canvas.width, canvas.height);
    pen.drawImage(image, 0, 0, canvas.width, canvas.height);
    return canvas;
  }
  // Quality goes first, then size.
  function small(image, side) {
    const canvas = drawn(image, side);
    const text = QUALITIES.reduce(function (found, quality) {
      return found && found.length <= bounds.characters ? found : canvas.toDataURL("image/jpeg", quality);
    }, "");
    if (text.length <= bounds.characters || side < SMALLEST_PX) { return text; }
    return small(image, Math.round(side * 2 / 3));
  }

  atlas.smallPicture = function (file) {
    return read(file).then(decoded).then(function (image) { return small(image, bounds.side); });
  };
})(window.fieldAtlas);
