// Unpacks what data_codec.py packed: base 64, zlib (RFC 1950), deflate (RFC 1951). Older tablets have no
// DecompressionStream, and reading a picture back through a canvas is not exact everywhere.
window.fieldAtlas = window.fieldAtlas || {};
(function (atlas) {
  "use strict";
  const LENGTH_BASE = [3, 4, 5, 6, 7, 8, 9, 10, 11, 13, 15, 17, 19, 23, 27, 31, 35, 43, 51, 59, 67, 83, 99, 115, 131,
    163, 195, 227, 258];
  const LENGTH_EXTRA = [0, 0, 0, 0, 0, 0, 0, 0, 1, 1, 1, 1, 2, 2, 2, 2, 3, 3, 3, 3, 4, 4, 4, 4, 5, 5, 5, 5, 0];
  const FAR_BASE = [1, 2, 3, 4, 5, 7, 9, 13, 17, 25, 33, 49, 65, 97, 129, 193, 257, 385, 513, 769, 1025, 1537, 2049,
    3073, 4097, 6145, 8193, 12289, 16385, 24577];
  const FAR_EXTRA = [0, 0, 0, 0, 1, 1, 2, 2, 3, 3, 4, 4, 5, 5, 6, 6, 7, 7, 8, 8, 9, 9, 10, 10, 11, 11, 12, 12, 13, 13];
  const ORDER = [16, 17, 18, 0, 8, 7, 9, 6, 10, 5, 11, 4, 12, 3, 13, 2, 14, 1, 15];

  // A canonical code: how many symbols have each length, and the symbols in order.
  function code(lengths) {
    const count = new Uint16Array(16), first = new Uint16Array(16), symbols = new Uint16Array(lengths.length);
    lengths.forEach(function (l) { count[l] += 1; });
    count[0] = 0;
    for (let l = 1; l < 15; l += 1) { first[l + 1] = first[l] + count[l]; }
    lengths.forEach(function (l, symbol) { if (l) { symbols[first[l]] = symbol; first[l] += 1; } });
    return { count: count, symbols: symbols };
  }

  function run(length, value) { return new Array(length).fill(value); }
  const FIXED = code(run(144, 8).concat(run(112, 9), run(24, 7), run(8, 8)));
  const FIXED_FAR = code(run(30, 5));

  function reader(bytes) {
    let at = 2, bit = 0;  // past the zlib head
    return {
      bits: function (n) {
        let value = 0;
        for (let k = 0; k < n; k += 1) {
          value |= (bytes[at] >> bit & 1) << k;
          bit += 1;
          if (bit === 8) { bit = 0; at += 1; }
        }
        return value;
      },
      symbol: function (of) {
        let value = 0, start = 0, index = 0;
        for (let l = 1; l < 16; l += 1) {
          value |= bytes[at] >> bit & 1;
          bit += 1;
          if (bit === 8) { bit = 0; at += 1; }
          const n = of.count[l];
          if (value - n < start) { return of.symbols[index + value - start]; }
          index += n;
          start = (start + n) << 1;
          value <<= 1;
        }
        throw new Error("damaged data");
      },
      whole: function () { if (bit) { bit = 0; at += 1; } const from = at + 4; at = from + (bytes[at] | bytes[at + 1] << 8); return bytes.subarray(from, at); },
    };
  }

  function tables(input) {
    const literal = input.bits(5) + 257, far = input.bits(5) + 1, given = input.bits(4) + 4;
    const short = run(19, 0);
    for (let k = 0; k < given; k += 1) { short[ORDER[k]] = input.bits(3); }
    const by = code(short), lengths = [];
    while (lengths.length < literal + far) {
      const s = input.symbol(by);
      if (s < 16) { lengths.push(s); continue; }
      const value = s === 16 ? lengths[lengths.length - 1] : 0;
      const times = s === 16 ? 3 + input.bits(2) : s === 17 ? 3 + input.bits(3) : 11 + input.bits(7);
      for (let k = 0; k < times; k += 1) { lengths.push(value); }
    }
    return [code(lengths.slice(0, literal)), code(lengths.slice(literal))];
  }

  function Growing() { this.bytes = new Uint8Array(65536); this.length = 0; }
  Growing.prototype.room = function (n) {
    if (this.length + n <= this.bytes.length) { return; }
    const more = new Uint8Array(Math.max(this.bytes.length * 2, this.length + n));
    more.set(this.bytes);
    this.bytes = more;
  };

  function block(input, out, codes) {
    for (;;) {
      const s = input.symbol(codes[0]);
      if (s === 256) { return; }
      if (s < 256) { out.room(1); out.bytes[out.length] = s; out.length += 1; continue; }
      const length = LENGTH_BASE[s - 257] + input.bits(LENGTH_EXTRA[s - 257]);
      const f = input.symbol(codes[1]);
      const far = FAR_BASE[f] + input.bits(FAR_EXTRA[f]);
      out.room(length);
      for (let k = 0; k < length; k += 1) { out.bytes[out.length] = out.bytes[out.length - far]; out.length += 1; }
    }
  }

  function checksum(bytes) {
    let a = 1, b = 0;
    for (let k = 0; k < bytes.length; k += 1) { a = (a + bytes[k]) % 65521; b = (b + a) % 65521; }
    return (b * 65536 + a) >>> 0;
  }

  // Text → bytes. Throws where the data does not add up to its own checksum: half a verdict is none.
  atlas.unpack = function (text) {
    const raw = atob(text), bytes = new Uint8Array(raw.length);
    for (let k = 0; k < raw.length; k += 1) { bytes[k] = raw.charCodeAt(k); }
    const input = reader(bytes), out = new Growing();
    let last = 0;
    while (!last) {
      last = input.bits(1);
      const kind = input.bits(2);
      if (kind === 0) { const part = input.whole(); out.room(part.length); out.bytes.set(part, out.length); out.length += part.length; }
      else if (kind === 3) { throw new Error("damaged data"); }
      else { block(input, out, kind === 1 ? [FIXED, FIXED_FAR] : tables(input)); }
    }
    const found = out.bytes.slice(0, out.length), n = bytes.length;
    const sum = ((bytes[n - 4] << 24 | bytes[n - 3] << 16 | bytes[n - 2] << 8 | bytes[n - 1]) >>> 0);
    if (checksum(found) !== sum) { throw new Error("damaged data"); }
    return found;
  };

  // Whole numbers in four planes of bytes, high ones first.
  atlas.unpackWide = function (text) {
    const bytes = atlas.unpack(text), n = bytes.length / 4, out = new Int32Array(n);
    for (let k = 0; k < n; k += 1) { out[k] = bytes[k] << 24 | bytes[n + k] << 16 | bytes[2 * n + k] << 8 | bytes[3 * n + k]; }
    return out;
  };
})(window.fieldAtlas);
