/*
Made by tests/outside/page/build.mjs from the files beside this one and the libraries below. Do not edit.

@noble/ed25519 3.2.0
The MIT License (MIT)

Copyright (c) 2019 Paul Miller (https://paulmillr.com)

Permission is hereby granted, free of charge, to any person obtaining a copy
of this software and associated documentation files (the “Software”), to deal
in the Software without restriction, including without limitation the rights
to use, copy, modify, merge, publish, distribute, sublicense, and/or sell
copies of the Software, and to permit persons to whom the Software is
furnished to do so, subject to the following conditions:

The above copyright notice and this permission notice shall be included in
all copies or substantial portions of the Software.

THE SOFTWARE IS PROVIDED “AS IS”, WITHOUT WARRANTY OF ANY KIND, EXPRESS OR
IMPLIED, INCLUDING BUT NOT LIMITED TO THE WARRANTIES OF MERCHANTABILITY,
FITNESS FOR A PARTICULAR PURPOSE AND NONINFRINGEMENT. IN NO EVENT SHALL THE
AUTHORS OR COPYRIGHT HOLDERS BE LIABLE FOR ANY CLAIM, DAMAGES OR OTHER
LIABILITY, WHETHER IN AN ACTION OF CONTRACT, TORT OR OTHERWISE, ARISING FROM,
OUT OF OR IN CONNECTION WITH THE SOFTWARE OR THE USE OR OTHER DEALINGS IN
THE SOFTWARE.

@noble/hashes 2.4.0
The MIT License (MIT)

Copyright (c) 2022 Paul Miller (https://paulmillr.com)

Permission is hereby granted, free of charge, to any person obtaining a copy
of this software and associated documentation files (the “Software”), to deal
in the Software without restriction, including without limitation the rights
to use, copy, modify, merge, publish, distribute, sublicense, and/or sell
copies of the Software, and to permit persons to whom the Software is
furnished to do so, subject to the following conditions:

The above copyright notice and this permission notice shall be included in
all copies or substantial portions of the Software.

THE SOFTWARE IS PROVIDED “AS IS”, WITHOUT WARRANTY OF ANY KIND, EXPRESS OR
IMPLIED, INCLUDING BUT NOT LIMITED TO THE WARRANTIES OF MERCHANTABILITY,
FITNESS FOR A PARTICULAR PURPOSE AND NONINFRINGEMENT. IN NO EVENT SHALL THE
AUTHORS OR COPYRIGHT HOLDERS BE LIABLE FOR ANY CLAIM, DAMAGES OR OTHER
LIABILITY, WHETHER IN AN ACTION OF CONTRACT, TORT OR OTHERWISE, ARISING FROM,
OUT OF OR IN CONNECTION WITH THE SOFTWARE OR THE USE OR OTHER DEALINGS IN
THE SOFTWARE.

fflate 0.8.3
MIT License

Copyright (c) 2026 Arjun Barrett

Permission is hereby granted, free of charge, to any person obtaining a copy
of this software and associated documentation files (the "Software"), to deal
in the Software without restriction, including without limitation the rights
to use, copy, modify, merge, publish, distribute, sublicense, and/or sell
copies of the Software, and to permit persons to whom the Software is
furnished to do so, subject to the following conditions:

The above copyright notice and this permission notice shall be included in all
copies or substantial portions of the Software.

THE SOFTWARE IS PROVIDED "AS IS", WITHOUT WARRANTY OF ANY KIND, EXPRESS OR
IMPLIED, INCLUDING BUT NOT LIMITED TO THE WARRANTIES OF MERCHANTABILITY,
FITNESS FOR A PARTICULAR PURPOSE AND NONINFRINGEMENT. IN NO EVENT SHALL THE
AUTHORS OR COPYRIGHT HOLDERS BE LIABLE FOR ANY CLAIM, DAMAGES OR OTHER
LIABILITY, WHETHER IN AN ACTION OF CONTRACT, TORT OR OTHERWISE, ARISING FROM,
OUT OF OR IN CONNECTION WITH THE SOFTWARE OR THE USE OR OTHER DEALINGS IN THE
SOFTWARE.
*/
var pintlePage = (() => {
  var __defProp = Object.defineProperty;
  var __getOwnPropDesc = Object.getOwnPropertyDescriptor;
  var __getOwnPropNames = Object.getOwnPropertyNames;
  var __hasOwnProp = Object.prototype.hasOwnProperty;
  var __export = (target, all) => {
    for (var name in all)
      __defProp(target, name, { get: all[name], enumerable: true });
  };
  var __copyProps = (to, from, except, desc) => {
    if (from && typeof from === "object" || typeof from === "function") {
      for (let key of __getOwnPropNames(from))
        if (!__hasOwnProp.call(to, key) && key !== except)
          __defProp(to, key, { get: () => from[key], enumerable: !(desc = __getOwnPropDesc(from, key)) || desc.enumerable });
    }
    return to;
  };
  var __toCommonJS = (mod2) => __copyProps(__defProp({}, "__esModule", { value: true }), mod2);

  // main.js
  var main_exports = {};
  __export(main_exports, {
    Story: () => Story,
    Verifier: () => Verifier,
    check: () => check,
    linesOf: () => linesOf,
    signed: () => signed
  });

  // @noble/ed25519/index.js
  var freeze = Object.freeze;
  var P = 0x7fffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffedn;
  var N = 0x1000000000000000000000000000000014def9dea2f79cd65812631a5cf5d3edn;
  var _d = 0x52036cee2b6ffe738cc740797779e89800700a4d4141d8ab75eb4dca135978a3n;
  var Gx = 0x216936d3cd6e53fec0a4e231fdd6dc5c692cc7609525a7b2c9562d608f25d51an;
  var Gy = 0x6666666666666666666666666666666666666666666666666666666666666658n;
  var _a = P - 1n;
  var ed25519_CURVE = freeze({
    p: P,
    n: N,
    h: 8n,
    a: _a,
    d: _d,
    Gx,
    Gy
  });
  var LEN = 32;
  var isBytes = (a) => {
    return a instanceof Uint8Array || ArrayBuffer.isView(a) && a.constructor.name === "Uint8Array" && a.BYTES_PER_ELEMENT === 1;
  };
  var abytes = (value, length, title = "") => {
    if (isBytes(value) && (length === void 0 || value.length === length))
      return value;
    const bytes = isBytes(value);
    const ofLen = length !== void 0 ? ` of length ${length}` : "";
    const got = bytes ? `length=${value.length}` : `type=${typeof value}`;
    const message = (title ? `"${title}" ` : "") + "expected Uint8Array" + ofLen + ", got " + got;
    if (!bytes)
      throw new TypeError(message);
    throw new RangeError(message);
  };
  var snapshotBytes = (value, title = "", length) => Uint8Array.from(abytes(value, length, title));
  var padh = (n, pad) => n.toString(16).padStart(pad, "0");
  var bytesToHex = (bytes) => {
    let hex2 = "";
    for (const byte of abytes(bytes))
      hex2 += padh(byte, 2);
    return hex2;
  };
  var hexToBytes = (hex2) => {
    const e = "hex invalid";
    if (typeof hex2 !== "string")
      throw new TypeError(e);
    if (hex2.length % 2 || !/^[\da-f]*$/i.test(hex2))
      throw new RangeError(e);
    const array = new Uint8Array(hex2.length / 2);
    for (let ai = 0, hi = 0; ai < array.length; ai++, hi += 2) {
      const n1 = hex2.charCodeAt(hi);
      const n2 = hex2.charCodeAt(hi + 1);
      array[ai] = ((n1 & 15) + (n1 >> 6) * 9) * 16 + (n2 & 15) + (n2 >> 6) * 9;
    }
    return array;
  };
  var arange = (n, min, max2, msg = "bad number: out of range") => {
    if (typeof n !== "bigint")
      throw new TypeError(msg);
    if (min <= n && n < max2)
      return n;
    throw new RangeError(msg);
  };
  var mod = (a, b = P) => (a %= b) >= 0n ? a : b + a;
  var P_MASK = (1n << 255n) - 1n;
  var modP = (num) => {
    if (num < 0n)
      throw new RangeError("negative coordinate");
    let r = (num >> 255n) * 19n + (num & P_MASK);
    r = (r >> 255n) * 19n + (r & P_MASK);
    return r % P;
  };
  var invert = (number, modulo) => {
    if (number === 0n)
      throw new Error("invert: expected non-zero number");
    if (modulo <= 1n)
      throw new Error("invert: expected modulus > 1, got " + modulo);
    let a = mod(number, modulo);
    let b = modulo;
    let x2 = 0n, u = 1n;
    while (a !== 0n) {
      const q = b / a;
      const r = b - a * q;
      const m = x2 - u * q;
      b = a, a = r, x2 = u, u = m;
    }
    const gcd = b;
    if (gcd !== 1n)
      throw new Error("invert: does not exist");
    return mod(x2, modulo);
  };
  var apoint = (p) => {
    if (p instanceof Point)
      return p;
    throw new TypeError("Point expected");
  };
  var B256 = 2n ** 256n;
  var Point = class _Point {
    static BASE;
    static ZERO;
    X;
    Y;
    Z;
    T;
    // Constructor only bounds-checks and freezes XYZT coordinates; it does not prove the point is
    // on-curve or that T matches X*Y/Z.
    constructor(X, Y, Z, T) {
      const max2 = B256;
      this.X = arange(X, 0n, max2);
      this.Y = arange(Y, 0n, max2);
      this.Z = arange(Z, 1n, max2);
      this.T = arange(T, 0n, max2);
      freeze(this);
    }
    static CURVE() {
      return ed25519_CURVE;
    }
    static fromAffine(p) {
      return new _Point(p.x, p.y, 1n, modP(p.x * p.y));
    }
    /** RFC8032 5.1.3: Uint8Array to Point. */
    static fromBytes(bytes, zip215 = false) {
      const normed = snapshotBytes(bytes, "point", LEN);
      const lastByte = normed[31];
      normed[31] = lastByte & ~128;
      const y = bytesToNumberLE(normed);
      if (!zip215)
        arange(y, 0n, P);
      const y2 = modP(y * y);
      const u = mod(y2 - 1n);
      const v = modP(_d * y2 + 1n);
      let { isValid, value: x2 } = uvRatio(u, v);
      if (!isValid)
        throw new Error("bad point: y not sqrt");
      const isLastByteOdd = !!(lastByte & 128);
      if (!zip215 && x2 === 0n && isLastByteOdd)
        throw new Error("bad point: x==0, isLastByteOdd");
      if (isLastByteOdd !== !!(x2 & 1n))
        x2 = mod(-x2);
      return new _Point(x2, y, 1n, modP(x2 * y));
    }
    static fromHex(hex2, zip215) {
      return _Point.fromBytes(hexToBytes(hex2), zip215);
    }
    get x() {
      return this.toAffine().x;
    }
    get y() {
      return this.toAffine().y;
    }
    /** Checks if the point is valid and on-curve. */
    assertValidity() {
      const a = _a;
      const d = _d;
      const p = this;
      if (p.is0())
        throw new Error("bad point: ZERO");
      const { X, Y, Z, T } = p;
      const X2 = modP(X * X);
      const Y2 = modP(Y * Y);
      const Z2 = modP(Z * Z);
      const Z4 = modP(Z2 * Z2);
      const aX2 = modP(X2 * a);
      const left = modP(Z2 * (aX2 + Y2));
      const right = mod(Z4 + modP(d * modP(X2 * Y2)));
      if (left !== right)
        throw new Error("bad point: equation left != right (1)");
      const XY = modP(X * Y);
      const ZT = modP(Z * T);
      if (XY !== ZT)
        throw new Error("bad point: equation left != right (2)");
      return this;
    }
    /** Equality check: compare points P&Q. */
    equals(other) {
      const { X: X1, Y: Y1, Z: Z1 } = this;
      const { X: X2, Y: Y2, Z: Z2 } = apoint(other);
      return modP(X1 * Z2) === modP(X2 * Z1) && modP(Y1 * Z2) === modP(Y2 * Z1);
    }
    is0() {
      return this.equals(I);
    }
    /** Flip point over y coordinate. */
    negate() {
      return new _Point(mod(-this.X), this.Y, this.Z, mod(-this.T));
    }
    /** Point doubling. Complete formula. Cost: `4M + 4S + 1*a + 6add + 1*2`. */
    double() {
      const { X: X1, Y: Y1, Z: Z1 } = this;
      const a = _a;
      const A = modP(X1 * X1);
      const B = modP(Y1 * Y1);
      const C = modP(2n * Z1 * Z1);
      const D = modP(a * A);
      const x1y1 = mod(X1 + Y1);
      const E = mod(modP(x1y1 * x1y1) - A - B);
      const G2 = mod(D + B);
      const F = mod(G2 - C);
      const H = mod(D - B);
      const X3 = modP(E * F);
      const Y3 = modP(G2 * H);
      const T3 = modP(E * H);
      const Z3 = modP(F * G2);
      return new _Point(X3, Y3, Z3, T3);
    }
    /** Point addition. Complete formula. Cost: `9M + 1*a + 1*d + 7add`. */
    add(other) {
      const { X: X1, Y: Y1, Z: Z1, T: T1 } = this;
      const { X: X2, Y: Y2, Z: Z2, T: T2 } = apoint(other);
      const a = _a;
      const d = _d;
      const A = modP(X1 * X2);
      const B = modP(Y1 * Y2);
      const C = modP(modP(T1 * d) * T2);
      const D = modP(Z1 * Z2);
      const E = mod(modP(mod(X1 + Y1) * mod(X2 + Y2)) - A - B);
      const F = mod(D - C);
      const G2 = mod(D + C);
      const H = mod(B - modP(a * A));
      const X3 = modP(E * F);
      const Y3 = modP(G2 * H);
      const T3 = modP(E * H);
      const Z3 = modP(F * G2);
      return new _Point(X3, Y3, Z3, T3);
    }
    subtract(other) {
      return this.add(apoint(other).negate());
    }
    /**
     * Point-by-scalar multiplication. Safe mode requires `1 <= n < CURVE.n`.
     * Unsafe mode additionally permits `n = 0` and returns the identity point for that case.
     * Uses {@link wNAF} for base point.
     * Uses fake point to mitigate side-channel leakage.
     * @param n - scalar by which point is multiplied
     * @param safe - safe mode guards against timing attacks; unsafe mode is faster
     */
    multiply(n, safe = true) {
      if (!safe && n === 0n)
        return I;
      arange(n, 1n, N);
      if (!safe && this.is0())
        return I;
      if (n === 1n)
        return this;
      if (this.equals(G))
        return wNAF(n).p;
      let p = I;
      let f = G;
      let d = this;
      for (let i2 = 0; safe ? i2 < 256 : n > 0n; i2++) {
        if (n & 1n)
          p = p.add(d);
        else if (safe)
          f = f.add(d);
        d = d.double();
        n >>= 1n;
      }
      return p;
    }
    multiplyUnsafe(scalar) {
      return this.multiply(scalar, false);
    }
    /** Convert point to 2d xy affine point. (X, Y, Z) ∋ (x=X/Z, y=Y/Z) */
    toAffine() {
      const { X, Y, Z } = this;
      if (this.equals(I))
        return { x: 0n, y: 1n };
      const iz = invert(Z, P);
      if (modP(Z * iz) !== 1n)
        throw new Error("invalid inverse");
      return { x: modP(X * iz), y: modP(Y * iz) };
    }
    toBytes() {
      const { x: x2, y } = this.toAffine();
      const b = numTo32bLE(y);
      b[31] |= x2 & 1n ? 128 : 0;
      return b;
    }
    toHex() {
      return bytesToHex(this.toBytes());
    }
    clearCofactor() {
      return this.multiply(8n, false);
    }
    isSmallOrder() {
      return this.clearCofactor().is0();
    }
    isTorsionFree() {
      return this.multiply(N / 2n, false).double().add(this).is0();
    }
  };
  var G = new Point(Gx, Gy, 1n, mod(Gx * Gy));
  var I = new Point(0n, 1n, 1n, 0n);
  Point.BASE = G;
  Point.ZERO = I;
  var numTo32bLE = (num) => hexToBytes(padh(arange(num, 0n, B256), 64)).reverse();
  var bytesToNumberLE = (b) => BigInt("0x" + bytesToHex(Uint8Array.from(abytes(b)).reverse()));
  var pow2 = (x2, power) => {
    let r = x2;
    while (power-- > 0) {
      r = modP(r * r);
    }
    return r;
  };
  var pow_2_252_3 = (x2) => {
    const x22 = modP(x2 * x2);
    const b2 = modP(x22 * x2);
    const b4 = modP(pow2(b2, 2) * b2);
    const b5 = modP(pow2(b4, 1) * x2);
    const b10 = modP(pow2(b5, 5) * b5);
    const b20 = modP(pow2(b10, 10) * b10);
    const b40 = modP(pow2(b20, 20) * b20);
    const b80 = modP(pow2(b40, 40) * b40);
    const b160 = modP(pow2(b80, 80) * b80);
    const b240 = modP(pow2(b160, 80) * b80);
    const b250 = modP(pow2(b240, 10) * b10);
    return modP(pow2(b250, 2) * x2);
  };
  var RM1 = 0x2b8324804fc1df0b2b4d00993dfbd7a72f431806ad2fe478c4ee1b274a0ea0b0n;
  var uvRatio = (u, v) => {
    const v3 = modP(v * modP(v * v));
    const v7 = modP(modP(v3 * v3) * v);
    const pow = pow_2_252_3(modP(u * v7));
    let x2 = modP(u * modP(v3 * pow));
    const vx2 = modP(v * modP(x2 * x2));
    const root1 = x2;
    const root2 = modP(x2 * RM1);
    const useRoot1 = vx2 === u;
    const useRoot2 = vx2 === mod(-u);
    const noRoot = vx2 === mod(-u * RM1);
    if (useRoot1)
      x2 = root1;
    if (useRoot2 || noRoot)
      x2 = root2;
    if ((mod(x2) & 1n) === 1n)
      x2 = mod(-x2);
    return { isValid: useRoot1 || useRoot2, value: x2 };
  };
  var precompute = () => {
    const points = [];
    let p = G;
    let b;
    for (let w = 0; w < 33; w++) {
      b = p;
      points.push(b);
      for (let i2 = 1; i2 < 128; i2++) {
        b = b.add(p);
        points.push(b);
      }
      p = b.double();
    }
    return points;
  };
  var Gpows = void 0;
  var ctneg = (cnd, p) => {
    const n = p.negate();
    return cnd ? n : p;
  };
  var wNAF = (n) => {
    const comp = Gpows || (Gpows = precompute());
    let p = I;
    let f = G;
    for (let w = 0; w < 33; w++) {
      let wbits = Number(n & 255n);
      n >>= 8n;
      if (wbits > 128) {
        wbits -= 256;
        n += 1n;
      }
      const off = w * 128;
      const offP = off + Math.abs(wbits) - 1;
      const isOddW = w % 2 !== 0;
      const isNeg = wbits < 0;
      if (wbits === 0) {
        f = f.add(ctneg(isOddW, comp[off]));
      } else {
        p = p.add(ctneg(isNeg, comp[offP]));
      }
    }
    if (n !== 0n)
      throw new Error("invalid wnaf");
    return { p, f };
  };

  // @noble/hashes/_u64.js
  var U32_MASK64 = /* @__PURE__ */ (() => BigInt(2 ** 32 - 1))();
  var _32n = /* @__PURE__ */ BigInt(32);
  function fromBig(n, le = false) {
    if (le)
      return { h: Number(n & U32_MASK64), l: Number(n >> _32n & U32_MASK64) };
    return { h: Number(n >> _32n & U32_MASK64) | 0, l: Number(n & U32_MASK64) | 0 };
  }
  function split(lst, le = false) {
    const len = lst.length;
    let Ah = new Uint32Array(len);
    let Al = new Uint32Array(len);
    for (let i2 = 0; i2 < len; i2++) {
      const { h, l } = fromBig(lst[i2], le);
      [Ah[i2], Al[i2]] = [h, l];
    }
    return [Ah, Al];
  }
  var fromNumH = (n) => n / 2 ** 32 | 0;
  var fromNumL = (n) => n >>> 0;
  function setU64FromNum(view, byteOffset, n, isLE) {
    const h = fromNumH(n);
    const l = fromNumL(n);
    view.setUint32(byteOffset, isLE ? l : h, isLE);
    view.setUint32(byteOffset + 4, isLE ? h : l, isLE);
  }
  var shrSH = (h, _l, s) => h >>> s;
  var shrSL = (h, l, s) => h << 32 - s | l >>> s;
  var rotrSH = (h, l, s) => h >>> s | l << 32 - s;
  var rotrSL = (h, l, s) => h << 32 - s | l >>> s;
  var rotrBH = (h, l, s) => h << 64 - s | l >>> s - 32;
  var rotrBL = (h, l, s) => h >>> s - 32 | l << 64 - s;
  function add(Ah, Al, Bh, Bl) {
    const l = (Al >>> 0) + (Bl >>> 0);
    return { h: Ah + Bh + (l / 2 ** 32 | 0) | 0, l: l | 0 };
  }
  var add3L = (Al, Bl, Cl) => (Al >>> 0) + (Bl >>> 0) + (Cl >>> 0);
  var add3H = (low, Ah, Bh, Ch) => Ah + Bh + Ch + (low / 2 ** 32 | 0) | 0;
  var add4L = (Al, Bl, Cl, Dl) => (Al >>> 0) + (Bl >>> 0) + (Cl >>> 0) + (Dl >>> 0);
  var add4H = (low, Ah, Bh, Ch, Dh) => Ah + Bh + Ch + Dh + (low / 2 ** 32 | 0) | 0;
  var add5L = (Al, Bl, Cl, Dl, El) => (Al >>> 0) + (Bl >>> 0) + (Cl >>> 0) + (Dl >>> 0) + (El >>> 0);
  var add5H = (low, Ah, Bh, Ch, Dh, Eh) => Ah + Bh + Ch + Dh + Eh + (low / 2 ** 32 | 0) | 0;

  // @noble/hashes/utils.js
  function isBytes2(a) {
    return a instanceof Uint8Array || ArrayBuffer.isView(a) && a.constructor.name === "Uint8Array" && "BYTES_PER_ELEMENT" in a && a.BYTES_PER_ELEMENT === 1;
  }
  var atitle = (title) => title ? `"${title}" ` : "";
  function anumber(n, title = "") {
    if (typeof n !== "number")
      throw new TypeError(atitle(title) + "expected number, got " + typeof n);
    if (!Number.isSafeInteger(n) || n < 0)
      throw new RangeError(atitle(title) + "expected integer >= 0, got " + n);
    return n;
  }
  function abytes2(value, length, title = "") {
    if (isBytes2(value) && (length === void 0 || value.length === length))
      return value;
    if (length !== void 0)
      anumber(length, "length");
    const bytes = isBytes2(value);
    const ofLen = length !== void 0 ? ` of length ${length}` : "";
    const got = bytes ? `length=${value.length}` : `type=${typeof value}`;
    const message = atitle(title) + "expected Uint8Array" + ofLen + ", got " + got;
    if (!bytes)
      throw new TypeError(message);
    throw new RangeError(message);
  }
  var aobject = (value, label) => {
    if (value === null || typeof value !== "object" || Array.isArray(value))
      throw new TypeError((label === "object" ? "" : `"${label}" `) + "expected object, got type=" + typeof value);
  };
  var aopts = (value, label) => {
    aobject(value, label);
    const proto = Object.getPrototypeOf(value);
    if (proto !== Object.prototype && proto !== null)
      throw new TypeError(`"${label}" expected plain object`);
    if (Object.hasOwn(value, "__proto__"))
      throw new TypeError(`"${label}.__proto__" is not allowed`);
  };
  function aexists(instance, checkFinished = true) {
    if (instance.destroyed)
      throw new Error("hash was destroyed");
    if (checkFinished && instance.finished)
      throw new Error("digest() was already called");
  }
  function aoutput(out, instance) {
    abytes2(out, void 0, "output");
    const min = instance.outputLen;
    if (!(out.length >= min)) {
      throw new RangeError('"output" expected length >= ' + min);
    }
  }
  function clean(...arrays) {
    for (let i2 = 0; i2 < arrays.length; i2++) {
      arrays[i2].fill(0);
    }
  }
  function createView(arr) {
    return new DataView(arr.buffer, arr.byteOffset, arr.byteLength);
  }
  function rotr(word, shift) {
    return word << 32 - shift | word >>> shift;
  }
  function checkOpts(defaults, opts, title = "opts") {
    aopts(defaults, "defaults");
    if (opts !== void 0)
      aopts(opts, title);
    const merged = Object.assign(/* @__PURE__ */ Object.create(null), defaults, opts);
    return merged;
  }
  function createHasher(hashCons, info = {}) {
    if (typeof hashCons !== "function")
      throw new TypeError('"hashCons" expected function, got type=' + typeof hashCons);
    info = checkOpts({}, info, "info");
    const hashC = (msg, opts) => hashCons(opts).update(msg).digest();
    const tmp = hashCons(void 0);
    hashC.outputLen = tmp.outputLen;
    hashC.blockLen = tmp.blockLen;
    hashC.canXOF = tmp.canXOF;
    hashC.create = (opts) => hashCons(opts);
    Object.assign(hashC, info);
    return Object.freeze(hashC);
  }
  var oidNist = (suffix) => ({
    // Current NIST hashAlgs suffixes used here fit in one DER subidentifier octet.
    // Larger suffix values would need base-128 OID encoding and a different length byte.
    oid: Uint8Array.from([6, 9, 96, 134, 72, 1, 101, 3, 4, 2, suffix])
  });

  // @noble/hashes/_md.js
  function Chi(a, b, c) {
    return a & b ^ ~a & c;
  }
  function Maj(a, b, c) {
    return a & b ^ a & c ^ b & c;
  }
  var HashMD = class {
    blockLen;
    outputLen;
    canXOF = false;
    padOffset;
    isLE;
    // For partial updates less than block size
    buffer;
    view;
    finished = false;
    length = 0;
    pos = 0;
    destroyed = false;
    constructor(blockLen, outputLen, padOffset, isLE) {
      this.blockLen = blockLen;
      this.outputLen = outputLen;
      this.padOffset = padOffset;
      this.isLE = isLE;
      this.buffer = new Uint8Array(blockLen);
      this.view = createView(this.buffer);
    }
    update(data) {
      aexists(this);
      abytes2(data);
      const { view, buffer, blockLen } = this;
      const len = data.length;
      let processed = false;
      for (let pos = 0; pos < len; ) {
        const take = Math.min(blockLen - this.pos, len - pos);
        if (take === blockLen) {
          const dataView = createView(data);
          for (; blockLen <= len - pos; pos += blockLen)
            this.process(dataView, pos);
          processed = true;
          continue;
        }
        buffer.set(pos === 0 && take === len ? data : data.subarray(pos, pos + take), this.pos);
        this.pos += take;
        pos += take;
        if (this.pos === blockLen) {
          this.process(view, 0);
          this.pos = 0;
          processed = true;
        }
      }
      this.length += data.length;
      if (processed)
        this.roundClean();
      return this;
    }
    digestInto(out) {
      aexists(this);
      aoutput(out, this);
      this.finished = true;
      const { buffer, view, blockLen, isLE } = this;
      let { pos } = this;
      buffer[pos++] = 128;
      buffer.fill(0, pos);
      if (this.padOffset > blockLen - pos) {
        this.process(view, 0);
        buffer.fill(0);
      }
      setU64FromNum(view, blockLen - 8, this.length * 8, isLE);
      this.process(view, 0);
      this.roundClean();
      const oview = out === buffer ? view : createView(out);
      const len = this.outputLen;
      const outLen = len / 4;
      const state = this.get();
      if (len % 4 || outLen > state.length)
        throw new Error("invalid outputLen");
      for (let i2 = 0; i2 < outLen; i2++)
        oview.setUint32(4 * i2, state[i2], isLE);
    }
    digest() {
      const { buffer, outputLen } = this;
      this.digestInto(buffer);
      const res = buffer.slice(0, outputLen);
      this.destroy();
      return res;
    }
    _cloneIntoMeta(to) {
      const { buffer, length, finished, destroyed, pos } = this;
      to.destroyed = destroyed;
      to.finished = finished;
      to.length = length;
      to.pos = pos;
      if (pos)
        to.buffer.set(buffer);
      return to;
    }
    clone() {
      return this._cloneInto();
    }
  };
  var SHA256_IV = /* @__PURE__ */ Uint32Array.from([
    1779033703,
    3144134277,
    1013904242,
    2773480762,
    1359893119,
    2600822924,
    528734635,
    1541459225
  ]);
  var SHA512_IV = /* @__PURE__ */ Uint32Array.from([
    1779033703,
    4089235720,
    3144134277,
    2227873595,
    1013904242,
    4271175723,
    2773480762,
    1595750129,
    1359893119,
    2917565137,
    2600822924,
    725511199,
    528734635,
    4215389547,
    1541459225,
    327033209
  ]);

  // @noble/hashes/sha2.js
  var SHA256_K = /* @__PURE__ */ Uint32Array.from([
    1116352408,
    1899447441,
    3049323471,
    3921009573,
    961987163,
    1508970993,
    2453635748,
    2870763221,
    3624381080,
    310598401,
    607225278,
    1426881987,
    1925078388,
    2162078206,
    2614888103,
    3248222580,
    3835390401,
    4022224774,
    264347078,
    604807628,
    770255983,
    1249150122,
    1555081692,
    1996064986,
    2554220882,
    2821834349,
    2952996808,
    3210313671,
    3336571891,
    3584528711,
    113926993,
    338241895,
    666307205,
    773529912,
    1294757372,
    1396182291,
    1695183700,
    1986661051,
    2177026350,
    2456956037,
    2730485921,
    2820302411,
    3259730800,
    3345764771,
    3516065817,
    3600352804,
    4094571909,
    275423344,
    430227734,
    506948616,
    659060556,
    883997877,
    958139571,
    1322822218,
    1537002063,
    1747873779,
    1955562222,
    2024104815,
    2227730452,
    2361852424,
    2428436474,
    2756734187,
    3204031479,
    3329325298
  ]);
  var SHA256_W = /* @__PURE__ */ new Uint32Array(64);
  var SHA2_32B = class extends HashMD {
    // We cannot use array here since array allows indexing by variable
    // which means optimizer/compiler cannot use registers.
    // Numeric initializers matter: starting the fields as `undefined` changes
    // V8's field representation and makes sha256 3x slower (measured).
    A = 0;
    B = 0;
    C = 0;
    D = 0;
    E = 0;
    F = 0;
    G = 0;
    H = 0;
    constructor(outputLen, IV) {
      super(64, outputLen, 8, false);
      this.A = IV[0] | 0;
      this.B = IV[1] | 0;
      this.C = IV[2] | 0;
      this.D = IV[3] | 0;
      this.E = IV[4] | 0;
      this.F = IV[5] | 0;
      this.G = IV[6] | 0;
      this.H = IV[7] | 0;
    }
    get() {
      const { A, B, C, D, E, F, G: G2, H } = this;
      return [A, B, C, D, E, F, G2, H];
    }
    // prettier-ignore
    set(A, B, C, D, E, F, G2, H) {
      this.A = A | 0;
      this.B = B | 0;
      this.C = C | 0;
      this.D = D | 0;
      this.E = E | 0;
      this.F = F | 0;
      this.G = G2 | 0;
      this.H = H | 0;
    }
    _cloneInto(to) {
      (to ||= new this.constructor()).set(...this.get());
      return this._cloneIntoMeta(to);
    }
    process(view, offset) {
      for (let i2 = 0; i2 < 16; i2++, offset += 4)
        SHA256_W[i2] = view.getUint32(offset, false);
      for (let i2 = 16; i2 < 64; i2++) {
        const W15 = SHA256_W[i2 - 15];
        const W2 = SHA256_W[i2 - 2];
        const s0 = rotr(W15, 7) ^ rotr(W15, 18) ^ W15 >>> 3;
        const s1 = rotr(W2, 17) ^ rotr(W2, 19) ^ W2 >>> 10;
        SHA256_W[i2] = s1 + SHA256_W[i2 - 7] + s0 + SHA256_W[i2 - 16] | 0;
      }
      let { A, B, C, D, E, F, G: G2, H } = this;
      for (let i2 = 0; i2 < 64; i2++) {
        const sigma1 = rotr(E, 6) ^ rotr(E, 11) ^ rotr(E, 25);
        const T1 = H + sigma1 + Chi(E, F, G2) + SHA256_K[i2] + SHA256_W[i2] | 0;
        const sigma0 = rotr(A, 2) ^ rotr(A, 13) ^ rotr(A, 22);
        const T2 = sigma0 + Maj(A, B, C) | 0;
        H = G2;
        G2 = F;
        F = E;
        E = D + T1 | 0;
        D = C;
        C = B;
        B = A;
        A = T1 + T2 | 0;
      }
      A = A + this.A | 0;
      B = B + this.B | 0;
      C = C + this.C | 0;
      D = D + this.D | 0;
      E = E + this.E | 0;
      F = F + this.F | 0;
      G2 = G2 + this.G | 0;
      H = H + this.H | 0;
      this.set(A, B, C, D, E, F, G2, H);
    }
    roundClean() {
      clean(SHA256_W);
    }
    destroy() {
      this.destroyed = true;
      this.set(0, 0, 0, 0, 0, 0, 0, 0);
      clean(this.buffer);
    }
  };
  var _SHA256 = class extends SHA2_32B {
    constructor() {
      super(32, SHA256_IV);
    }
  };
  var K512 = /* @__PURE__ */ (() => split([
    "0x428a2f98d728ae22",
    "0x7137449123ef65cd",
    "0xb5c0fbcfec4d3b2f",
    "0xe9b5dba58189dbbc",
    "0x3956c25bf348b538",
    "0x59f111f1b605d019",
    "0x923f82a4af194f9b",
    "0xab1c5ed5da6d8118",
    "0xd807aa98a3030242",
    "0x12835b0145706fbe",
    "0x243185be4ee4b28c",
    "0x550c7dc3d5ffb4e2",
    "0x72be5d74f27b896f",
    "0x80deb1fe3b1696b1",
    "0x9bdc06a725c71235",
    "0xc19bf174cf692694",
    "0xe49b69c19ef14ad2",
    "0xefbe4786384f25e3",
    "0x0fc19dc68b8cd5b5",
    "0x240ca1cc77ac9c65",
    "0x2de92c6f592b0275",
    "0x4a7484aa6ea6e483",
    "0x5cb0a9dcbd41fbd4",
    "0x76f988da831153b5",
    "0x983e5152ee66dfab",
    "0xa831c66d2db43210",
    "0xb00327c898fb213f",
    "0xbf597fc7beef0ee4",
    "0xc6e00bf33da88fc2",
    "0xd5a79147930aa725",
    "0x06ca6351e003826f",
    "0x142929670a0e6e70",
    "0x27b70a8546d22ffc",
    "0x2e1b21385c26c926",
    "0x4d2c6dfc5ac42aed",
    "0x53380d139d95b3df",
    "0x650a73548baf63de",
    "0x766a0abb3c77b2a8",
    "0x81c2c92e47edaee6",
    "0x92722c851482353b",
    "0xa2bfe8a14cf10364",
    "0xa81a664bbc423001",
    "0xc24b8b70d0f89791",
    "0xc76c51a30654be30",
    "0xd192e819d6ef5218",
    "0xd69906245565a910",
    "0xf40e35855771202a",
    "0x106aa07032bbd1b8",
    "0x19a4c116b8d2d0c8",
    "0x1e376c085141ab53",
    "0x2748774cdf8eeb99",
    "0x34b0bcb5e19b48a8",
    "0x391c0cb3c5c95a63",
    "0x4ed8aa4ae3418acb",
    "0x5b9cca4f7763e373",
    "0x682e6ff3d6b2b8a3",
    "0x748f82ee5defb2fc",
    "0x78a5636f43172f60",
    "0x84c87814a1f0ab72",
    "0x8cc702081a6439ec",
    "0x90befffa23631e28",
    "0xa4506cebde82bde9",
    "0xbef9a3f7b2c67915",
    "0xc67178f2e372532b",
    "0xca273eceea26619c",
    "0xd186b8c721c0c207",
    "0xeada7dd6cde0eb1e",
    "0xf57d4f7fee6ed178",
    "0x06f067aa72176fba",
    "0x0a637dc5a2c898a6",
    "0x113f9804bef90dae",
    "0x1b710b35131c471b",
    "0x28db77f523047d84",
    "0x32caab7b40c72493",
    "0x3c9ebe0a15c9bebc",
    "0x431d67c49c100d4c",
    "0x4cc5d4becb3e42b6",
    "0x597f299cfc657e2a",
    "0x5fcb6fab3ad6faec",
    "0x6c44198c4a475817"
  ].map((n) => BigInt(n))))();
  var SHA512_Kh = /* @__PURE__ */ (() => K512[0])();
  var SHA512_Kl = /* @__PURE__ */ (() => K512[1])();
  var SHA512_W_H = /* @__PURE__ */ new Uint32Array(80);
  var SHA512_W_L = /* @__PURE__ */ new Uint32Array(80);
  var SHA2_64B = class extends HashMD {
    // We cannot use array here since array allows indexing by variable
    // which means optimizer/compiler cannot use registers.
    // h -- high 32 bits, l -- low 32 bits
    // Numeric initializers matter: starting the fields as `undefined` changes
    // V8's field representation and slows hashing down (measured on sha256).
    Ah = 0;
    Al = 0;
    Bh = 0;
    Bl = 0;
    Ch = 0;
    Cl = 0;
    Dh = 0;
    Dl = 0;
    Eh = 0;
    El = 0;
    Fh = 0;
    Fl = 0;
    Gh = 0;
    Gl = 0;
    Hh = 0;
    Hl = 0;
    constructor(outputLen, IV) {
      super(128, outputLen, 16, false);
      this.Ah = IV[0] | 0;
      this.Al = IV[1] | 0;
      this.Bh = IV[2] | 0;
      this.Bl = IV[3] | 0;
      this.Ch = IV[4] | 0;
      this.Cl = IV[5] | 0;
      this.Dh = IV[6] | 0;
      this.Dl = IV[7] | 0;
      this.Eh = IV[8] | 0;
      this.El = IV[9] | 0;
      this.Fh = IV[10] | 0;
      this.Fl = IV[11] | 0;
      this.Gh = IV[12] | 0;
      this.Gl = IV[13] | 0;
      this.Hh = IV[14] | 0;
      this.Hl = IV[15] | 0;
    }
    // prettier-ignore
    get() {
      const { Ah, Al, Bh, Bl, Ch, Cl, Dh, Dl, Eh, El, Fh, Fl, Gh, Gl, Hh, Hl } = this;
      return [Ah, Al, Bh, Bl, Ch, Cl, Dh, Dl, Eh, El, Fh, Fl, Gh, Gl, Hh, Hl];
    }
    // prettier-ignore
    set(Ah, Al, Bh, Bl, Ch, Cl, Dh, Dl, Eh, El, Fh, Fl, Gh, Gl, Hh, Hl) {
      this.Ah = Ah | 0;
      this.Al = Al | 0;
      this.Bh = Bh | 0;
      this.Bl = Bl | 0;
      this.Ch = Ch | 0;
      this.Cl = Cl | 0;
      this.Dh = Dh | 0;
      this.Dl = Dl | 0;
      this.Eh = Eh | 0;
      this.El = El | 0;
      this.Fh = Fh | 0;
      this.Fl = Fl | 0;
      this.Gh = Gh | 0;
      this.Gl = Gl | 0;
      this.Hh = Hh | 0;
      this.Hl = Hl | 0;
    }
    _cloneInto(to) {
      (to ||= new this.constructor()).set(...this.get());
      return this._cloneIntoMeta(to);
    }
    process(view, offset) {
      for (let i2 = 0; i2 < 16; i2++, offset += 4) {
        SHA512_W_H[i2] = view.getUint32(offset);
        SHA512_W_L[i2] = view.getUint32(offset += 4);
      }
      for (let i2 = 16; i2 < 80; i2++) {
        const W15h = SHA512_W_H[i2 - 15] | 0;
        const W15l = SHA512_W_L[i2 - 15] | 0;
        const s0h = rotrSH(W15h, W15l, 1) ^ rotrSH(W15h, W15l, 8) ^ shrSH(W15h, W15l, 7);
        const s0l = rotrSL(W15h, W15l, 1) ^ rotrSL(W15h, W15l, 8) ^ shrSL(W15h, W15l, 7);
        const W2h = SHA512_W_H[i2 - 2] | 0;
        const W2l = SHA512_W_L[i2 - 2] | 0;
        const s1h = rotrSH(W2h, W2l, 19) ^ rotrBH(W2h, W2l, 61) ^ shrSH(W2h, W2l, 6);
        const s1l = rotrSL(W2h, W2l, 19) ^ rotrBL(W2h, W2l, 61) ^ shrSL(W2h, W2l, 6);
        const SUMl = add4L(s0l, s1l, SHA512_W_L[i2 - 7], SHA512_W_L[i2 - 16]);
        const SUMh = add4H(SUMl, s0h, s1h, SHA512_W_H[i2 - 7], SHA512_W_H[i2 - 16]);
        SHA512_W_H[i2] = SUMh | 0;
        SHA512_W_L[i2] = SUMl | 0;
      }
      let { Ah, Al, Bh, Bl, Ch, Cl, Dh, Dl, Eh, El, Fh, Fl, Gh, Gl, Hh, Hl } = this;
      for (let i2 = 0; i2 < 80; i2++) {
        const sigma1h = rotrSH(Eh, El, 14) ^ rotrSH(Eh, El, 18) ^ rotrBH(Eh, El, 41);
        const sigma1l = rotrSL(Eh, El, 14) ^ rotrSL(Eh, El, 18) ^ rotrBL(Eh, El, 41);
        const CHIh = Eh & Fh ^ ~Eh & Gh;
        const CHIl = El & Fl ^ ~El & Gl;
        const T1ll = add5L(Hl, sigma1l, CHIl, SHA512_Kl[i2], SHA512_W_L[i2]);
        const T1h = add5H(T1ll, Hh, sigma1h, CHIh, SHA512_Kh[i2], SHA512_W_H[i2]);
        const T1l = T1ll | 0;
        const sigma0h = rotrSH(Ah, Al, 28) ^ rotrBH(Ah, Al, 34) ^ rotrBH(Ah, Al, 39);
        const sigma0l = rotrSL(Ah, Al, 28) ^ rotrBL(Ah, Al, 34) ^ rotrBL(Ah, Al, 39);
        const MAJh = Ah & Bh ^ Ah & Ch ^ Bh & Ch;
        const MAJl = Al & Bl ^ Al & Cl ^ Bl & Cl;
        Hh = Gh | 0;
        Hl = Gl | 0;
        Gh = Fh | 0;
        Gl = Fl | 0;
        Fh = Eh | 0;
        Fl = El | 0;
        ({ h: Eh, l: El } = add(Dh | 0, Dl | 0, T1h | 0, T1l | 0));
        Dh = Ch | 0;
        Dl = Cl | 0;
        Ch = Bh | 0;
        Cl = Bl | 0;
        Bh = Ah | 0;
        Bl = Al | 0;
        const All = add3L(T1l, sigma0l, MAJl);
        Ah = add3H(All, T1h, sigma0h, MAJh);
        Al = All | 0;
      }
      ({ h: Ah, l: Al } = add(this.Ah | 0, this.Al | 0, Ah | 0, Al | 0));
      ({ h: Bh, l: Bl } = add(this.Bh | 0, this.Bl | 0, Bh | 0, Bl | 0));
      ({ h: Ch, l: Cl } = add(this.Ch | 0, this.Cl | 0, Ch | 0, Cl | 0));
      ({ h: Dh, l: Dl } = add(this.Dh | 0, this.Dl | 0, Dh | 0, Dl | 0));
      ({ h: Eh, l: El } = add(this.Eh | 0, this.El | 0, Eh | 0, El | 0));
      ({ h: Fh, l: Fl } = add(this.Fh | 0, this.Fl | 0, Fh | 0, Fl | 0));
      ({ h: Gh, l: Gl } = add(this.Gh | 0, this.Gl | 0, Gh | 0, Gl | 0));
      ({ h: Hh, l: Hl } = add(this.Hh | 0, this.Hl | 0, Hh | 0, Hl | 0));
      this.set(Ah, Al, Bh, Bl, Ch, Cl, Dh, Dl, Eh, El, Fh, Fl, Gh, Gl, Hh, Hl);
    }
    roundClean() {
      clean(SHA512_W_H, SHA512_W_L);
    }
    destroy() {
      this.destroyed = true;
      clean(this.buffer);
      this.set(0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0);
    }
  };
  var _SHA512 = class extends SHA2_64B {
    constructor() {
      super(64, SHA512_IV);
    }
  };
  var sha256 = /* @__PURE__ */ createHasher(
    () => new _SHA256(),
    /* @__PURE__ */ oidNist(1)
  );
  var sha512 = /* @__PURE__ */ createHasher(
    () => new _SHA512(),
    /* @__PURE__ */ oidNist(3)
  );

  // json.js
  var Bad = class extends Error {
  };
  var DEPTH_MAX = 64;
  var SPACE = /[ \t\n\r]*/y;
  var STRING = /"[^"\\\u0000-\u001f]*(?:\\(?:["\\/bfnrt]|u[0-9a-fA-F]{4})[^"\\\u0000-\u001f]*)*"/y;
  var NUMBER = /-?(?:0|[1-9][0-9]*)(?![0-9.eE])/y;
  var WORDS = { true: true, false: false, null: null };
  var WORD = /true|false|null/y;
  var decoder = new TextDecoder("utf-8", { fatal: true, ignoreBOM: true });
  var encoder = new TextEncoder();
  var utf8 = (text2) => encoder.encode(text2);
  function read(line) {
    let text2;
    try {
      text2 = decoder.decode(line);
    } catch {
      throw new Bad("it is not UTF-8");
    }
    return new Reader(text2).whole();
  }
  var Reader = class {
    constructor(text2) {
      this.text = text2;
      this.at = 0;
    }
    whole() {
      const value = this.value(0);
      this.take(SPACE);
      if (this.at !== this.text.length) throw new Bad("there is something after the value");
      return value;
    }
    /** What matches here, passed over; undefined if nothing does. */
    take(pattern) {
      pattern.lastIndex = this.at;
      if (!pattern.test(this.text)) return void 0;
      const from = this.at;
      this.at = pattern.lastIndex;
      return this.text.slice(from, this.at);
    }
    /** The next character that is no space, passed over if it is this one. */
    is(character) {
      this.take(SPACE);
      if (this.text[this.at] !== character) return false;
      this.at += 1;
      return true;
    }
    value(depth) {
      if (this.is("{")) return this.object(depth);
      if (this.is("[")) return this.array(depth);
      if (this.text[this.at] === '"') return this.string();
      const word = this.take(WORD);
      if (word !== void 0) return WORDS[word];
      const digits = this.take(NUMBER);
      if (digits === void 0) throw new Bad(`no value, or a number that is not whole, at character ${this.at + 1}`);
      const number = Number(digits);
      if (digits === "-0" || !Number.isSafeInteger(number)) throw new Bad("a whole number must lie within ±(2^53−1)");
      return number;
    }
    string() {
      this.take(SPACE);
      const raw = this.take(STRING);
      if (raw === void 0) throw new Bad(`no text at character ${this.at + 1}`);
      if (!raw.includes("\\")) return raw.slice(1, -1);
      const text2 = JSON.parse(raw);
      if (/[\0\ud800-\udfff]/u.test(text2)) throw new Bad("a text with U+0000 or half a character");
      return text2;
    }
    object(depth) {
      if (depth >= DEPTH_MAX) throw new Bad("nested too deep");
      const object = /* @__PURE__ */ Object.create(null);
      if (this.is("}")) return object;
      do {
        const key = this.string();
        if (key in object) throw new Bad("the same key twice in one object");
        if (!this.is(":")) throw new Bad(`no colon at character ${this.at + 1}`);
        object[key] = this.value(depth + 1);
      } while (this.is(","));
      if (!this.is("}")) throw new Bad(`an object does not end at character ${this.at + 1}`);
      return object;
    }
    array(depth) {
      if (depth >= DEPTH_MAX) throw new Bad("nested too deep");
      const array = [];
      if (this.is("]")) return array;
      do {
        array.push(this.value(depth + 1));
      } while (this.is(","));
      if (!this.is("]")) throw new Bad(`a list does not end at character ${this.at + 1}`);
      return array;
    }
  };
  function canonical(value) {
    if (Array.isArray(value)) return `[${value.map(canonical).join(",")}]`;
    if (isObject(value)) {
      const keys2 = Object.keys(value).sort();
      return `{${keys2.map((key) => `${JSON.stringify(key)}:${canonical(value[key])}`).join(",")}}`;
    }
    return JSON.stringify(value);
  }
  var isObject = (value) => typeof value === "object" && value !== null && !Array.isArray(value);
  function fields(value, required, optional = []) {
    if (!isObject(value)) throw new Bad("not an object");
    const missing = required.find((key) => !(key in value));
    if (missing !== void 0) throw new Bad(`it has no ${JSON.stringify(missing)}`);
    const unknown = Object.keys(value).find((key) => !required.includes(key) && !optional.includes(key));
    if (unknown !== void 0) throw new Bad(`it must not have ${JSON.stringify(unknown)}`);
    return value;
  }
  function text(value) {
    if (typeof value !== "string") throw new Bad("not a text");
    return value;
  }
  function whole(value) {
    if (typeof value !== "number") throw new Bad("not a whole number");
    return value;
  }
  function count(value) {
    if (whole(value) < 0) throw new Bad("a count is never less than nothing");
    return value;
  }
  function list(value, of) {
    if (!Array.isArray(value)) throw new Bad("not a list");
    return value.map(of);
  }

  // bytes.js
  var ORDER = 2n ** 252n + 27742317777372353535851937790883648493n;
  var ZERO = new Uint8Array(32);
  function joined(...pieces) {
    const all = new Uint8Array(pieces.reduce((length, piece) => length + piece.length, 0));
    let at = 0;
    for (const piece of pieces) {
      all.set(piece, at);
      at += piece.length;
    }
    return all;
  }
  var hash = (...pieces) => sha256(joined(...pieces));
  function eight(number) {
    const bytes = new Uint8Array(8);
    new DataView(bytes.buffer).setBigUint64(0, BigInt(number));
    return bytes;
  }
  function same(one, other) {
    return one.length === other.length && one.every((byte, at) => byte === other[at]);
  }
  var hex = (bytes) => Array.from(bytes, (byte) => byte.toString(16).padStart(2, "0")).join("");
  var toBytes = (binary) => Uint8Array.from(binary, (character) => character.charCodeAt(0));
  function unbase64(spelled) {
    if (!/^[A-Za-z0-9+/]*={0,2}$/.test(spelled)) return void 0;
    try {
      const binary = atob(spelled);
      return btoa(binary) === spelled ? toBytes(binary) : void 0;
    } catch {
      return void 0;
    }
  }
  var base64 = (bytes) => btoa(String.fromCharCode(...bytes));
  var base64url = (bytes) => base64(bytes).replaceAll("+", "-").replaceAll("/", "_").replace(/=+$/, "");
  function unbaseAny(spelled) {
    const padded = spelled.replaceAll("-", "+").replaceAll("_", "/") + "=".repeat((4 - spelled.length % 4) % 4);
    return /^[A-Za-z0-9_-]*$/.test(spelled) ? unbase64(padded) : void 0;
  }
  function unbase(value, length) {
    const bytes = unbaseAny(text(value));
    if (bytes?.length !== length) throw new Bad(`not ${length} bytes in their exact spelling`);
    return bytes;
  }
  var id = (value) => unbase(value, 16);
  var hash32 = (value) => unbase(value, 32);
  var littleEndian = (bytes) => BigInt(`0x${hex(Uint8Array.from(bytes).reverse())}`);
  var keys = /* @__PURE__ */ new Map();
  function multiplesOf(key) {
    const name = hex(key);
    if (!keys.has(name)) {
      let multiples;
      try {
        const point = Point.fromBytes(key);
        if (!point.isSmallOrder()) multiples = new Multiples(point);
      } catch {
      }
      keys.set(name, multiples);
    }
    return keys.get(name);
  }
  var Multiples = class {
    constructor(point) {
      this.windows = [];
      for (let base = point; this.windows.length < 64; base = base.double().double().double().double()) {
        const window = [Point.ZERO, base];
        while (window.length < 16) window.push(window.at(-1).add(base));
        this.windows.push(window);
      }
    }
    times(number) {
      let sum = Point.ZERO;
      for (let at = 0, rest = number; rest > 0n; at += 1, rest >>= 4n) {
        const four = Number(rest & 15n);
        if (four > 0) sum = sum.add(this.windows[at][four]);
      }
      return sum;
    }
  };
  function signed(key, message, signature) {
    const multiples = multiplesOf(key);
    const [r, s] = [signature.subarray(0, 32), littleEndian(signature.subarray(32))];
    if (multiples === void 0 || s >= ORDER) return false;
    const k = littleEndian(sha512(joined(r, key, message))) % ORDER;
    const expected = Point.BASE.multiply(s, false).add(multiples.times(k).negate());
    return same(expected.toBytes(), r) && !expected.isSmallOrder();
  }

  // fflate/esm/browser.js
  var u8 = Uint8Array;
  var u16 = Uint16Array;
  var i32 = Int32Array;
  var fleb = new u8([
    0,
    0,
    0,
    0,
    0,
    0,
    0,
    0,
    1,
    1,
    1,
    1,
    2,
    2,
    2,
    2,
    3,
    3,
    3,
    3,
    4,
    4,
    4,
    4,
    5,
    5,
    5,
    5,
    0,
    /* unused */
    0,
    0,
    /* impossible */
    0
  ]);
  var fdeb = new u8([
    0,
    0,
    0,
    0,
    1,
    1,
    2,
    2,
    3,
    3,
    4,
    4,
    5,
    5,
    6,
    6,
    7,
    7,
    8,
    8,
    9,
    9,
    10,
    10,
    11,
    11,
    12,
    12,
    13,
    13,
    /* unused */
    0,
    0
  ]);
  var clim = new u8([16, 17, 18, 0, 8, 7, 9, 6, 10, 5, 11, 4, 12, 3, 13, 2, 14, 1, 15]);
  var freb = function(eb, start) {
    var b = new u16(31);
    for (var i2 = 0; i2 < 31; ++i2) {
      b[i2] = start += 1 << eb[i2 - 1];
    }
    var r = new i32(b[30]);
    for (var i2 = 1; i2 < 30; ++i2) {
      for (var j = b[i2]; j < b[i2 + 1]; ++j) {
        r[j] = j - b[i2] << 5 | i2;
      }
    }
    return { b, r };
  };
  var _a2 = freb(fleb, 2);
  var fl = _a2.b;
  var revfl = _a2.r;
  fl[28] = 258, revfl[258] = 28;
  var _b = freb(fdeb, 0);
  var fd = _b.b;
  var revfd = _b.r;
  var rev = new u16(32768);
  for (i = 0; i < 32768; ++i) {
    x = (i & 43690) >> 1 | (i & 21845) << 1;
    x = (x & 52428) >> 2 | (x & 13107) << 2;
    x = (x & 61680) >> 4 | (x & 3855) << 4;
    rev[i] = ((x & 65280) >> 8 | (x & 255) << 8) >> 1;
  }
  var x;
  var i;
  var hMap = (function(cd, mb, r) {
    var s = cd.length;
    var i2 = 0;
    var l = new u16(mb);
    for (; i2 < s; ++i2) {
      if (cd[i2])
        ++l[cd[i2] - 1];
    }
    var le = new u16(mb);
    for (i2 = 1; i2 < mb; ++i2) {
      le[i2] = le[i2 - 1] + l[i2 - 1] << 1;
    }
    var co;
    if (r) {
      co = new u16(1 << mb);
      var rvb = 15 - mb;
      for (i2 = 0; i2 < s; ++i2) {
        if (cd[i2]) {
          var sv = i2 << 4 | cd[i2];
          var r_1 = mb - cd[i2];
          var v = le[cd[i2] - 1]++ << r_1;
          for (var m = v | (1 << r_1) - 1; v <= m; ++v) {
            co[rev[v] >> rvb] = sv;
          }
        }
      }
    } else {
      co = new u16(s);
      for (i2 = 0; i2 < s; ++i2) {
        if (cd[i2]) {
          co[i2] = rev[le[cd[i2] - 1]++] >> 15 - cd[i2];
        }
      }
    }
    return co;
  });
  var flt = new u8(288);
  for (i = 0; i < 144; ++i)
    flt[i] = 8;
  var i;
  for (i = 144; i < 256; ++i)
    flt[i] = 9;
  var i;
  for (i = 256; i < 280; ++i)
    flt[i] = 7;
  var i;
  for (i = 280; i < 288; ++i)
    flt[i] = 8;
  var i;
  var fdt = new u8(32);
  for (i = 0; i < 32; ++i)
    fdt[i] = 5;
  var i;
  var flrm = /* @__PURE__ */ hMap(flt, 9, 1);
  var fdrm = /* @__PURE__ */ hMap(fdt, 5, 1);
  var max = function(a) {
    var m = a[0];
    for (var i2 = 1; i2 < a.length; ++i2) {
      if (a[i2] > m)
        m = a[i2];
    }
    return m;
  };
  var bits = function(d, p, m) {
    var o = p / 8 | 0;
    return (d[o] | d[o + 1] << 8) >> (p & 7) & m;
  };
  var bits16 = function(d, p) {
    var o = p / 8 | 0;
    return (d[o] | d[o + 1] << 8 | d[o + 2] << 16) >> (p & 7);
  };
  var shft = function(p) {
    return (p + 7) / 8 | 0;
  };
  var slc = function(v, s, e) {
    if (s == null || s < 0)
      s = 0;
    if (e == null || e > v.length)
      e = v.length;
    return new u8(v.subarray(s, e));
  };
  var ec = [
    "unexpected EOF",
    "invalid block type",
    "invalid length/literal",
    "invalid distance",
    "stream finished",
    "no stream handler",
    ,
    // determined by compression function
    "no callback",
    "invalid UTF-8 data",
    "extra field too long",
    "date not in range 1980-2099",
    "filename too long",
    "stream finishing",
    "invalid zip data"
    // determined by unknown compression method
  ];
  var err = function(ind, msg, nt) {
    var e = new Error(msg || ec[ind]);
    e.code = ind;
    if (Error.captureStackTrace)
      Error.captureStackTrace(e, err);
    if (!nt)
      throw e;
    return e;
  };
  var inflt = function(dat, st, buf, dict) {
    var sl = dat.length, dl = dict ? dict.length : 0;
    if (!sl || st.f && !st.l)
      return buf || new u8(0);
    var noBuf = !buf;
    var resize = noBuf || st.i != 2;
    var noSt = st.i;
    if (noBuf)
      buf = new u8(sl * 3);
    var cbuf = function(l2) {
      var bl = buf.length;
      if (l2 > bl) {
        var nbuf = new u8(Math.max(bl * 2, l2));
        nbuf.set(buf);
        buf = nbuf;
      }
    };
    var final = st.f || 0, pos = st.p || 0, bt = st.b || 0, lm = st.l, dm = st.d, lbt = st.m, dbt = st.n;
    var tbts = sl * 8;
    do {
      if (!lm) {
        final = bits(dat, pos, 1);
        var type = bits(dat, pos + 1, 3);
        pos += 3;
        if (!type) {
          var s = shft(pos) + 4, l = dat[s - 4] | dat[s - 3] << 8, t = s + l;
          if (t > sl) {
            if (noSt)
              err(0);
            break;
          }
          if (resize)
            cbuf(bt + l);
          buf.set(dat.subarray(s, t), bt);
          st.b = bt += l, st.p = pos = t * 8, st.f = final;
          continue;
        } else if (type == 1)
          lm = flrm, dm = fdrm, lbt = 9, dbt = 5;
        else if (type == 2) {
          var hLit = bits(dat, pos, 31) + 257, hcLen = bits(dat, pos + 10, 15) + 4;
          var tl = hLit + bits(dat, pos + 5, 31) + 1;
          pos += 14;
          var ldt = new u8(tl);
          var clt = new u8(19);
          for (var i2 = 0; i2 < hcLen; ++i2) {
            clt[clim[i2]] = bits(dat, pos + i2 * 3, 7);
          }
          pos += hcLen * 3;
          var clb = max(clt), clbmsk = (1 << clb) - 1;
          var clm = hMap(clt, clb, 1);
          for (var i2 = 0; i2 < tl; ) {
            var r = clm[bits(dat, pos, clbmsk)];
            pos += r & 15;
            var s = r >> 4;
            if (s < 16) {
              ldt[i2++] = s;
            } else {
              var c = 0, n = 0;
              if (s == 16)
                n = 3 + bits(dat, pos, 3), pos += 2, c = ldt[i2 - 1];
              else if (s == 17)
                n = 3 + bits(dat, pos, 7), pos += 3;
              else if (s == 18)
                n = 11 + bits(dat, pos, 127), pos += 7;
              while (n--)
                ldt[i2++] = c;
            }
          }
          var lt = ldt.subarray(0, hLit), dt = ldt.subarray(hLit);
          lbt = max(lt);
          dbt = max(dt);
          lm = hMap(lt, lbt, 1);
          dm = hMap(dt, dbt, 1);
        } else
          err(1);
        if (pos > tbts) {
          if (noSt)
            err(0);
          break;
        }
      }
      if (resize)
        cbuf(bt + 131072);
      var lms = (1 << lbt) - 1, dms = (1 << dbt) - 1;
      var lpos = pos;
      for (; ; lpos = pos) {
        var c = lm[bits16(dat, pos) & lms], sym = c >> 4;
        pos += c & 15;
        if (pos > tbts) {
          if (noSt)
            err(0);
          break;
        }
        if (!c)
          err(2);
        if (sym < 256)
          buf[bt++] = sym;
        else if (sym == 256) {
          lpos = pos, lm = null;
          break;
        } else {
          var add2 = sym - 254;
          if (sym > 264) {
            var i2 = sym - 257, b = fleb[i2];
            add2 = bits(dat, pos, (1 << b) - 1) + fl[i2];
            pos += b;
          }
          var d = dm[bits16(dat, pos) & dms], dsym = d >> 4;
          if (!d)
            err(3);
          pos += d & 15;
          var dt = fd[dsym];
          if (dsym > 3) {
            var b = fdeb[dsym];
            dt += bits16(dat, pos) & (1 << b) - 1, pos += b;
          }
          if (pos > tbts) {
            if (noSt)
              err(0);
            break;
          }
          if (resize)
            cbuf(bt + 131072);
          var end = bt + add2;
          if (bt < dt) {
            var shift = dl - dt, dend = Math.min(dt, end);
            if (shift + bt < 0)
              err(3);
            for (; bt < dend; ++bt)
              buf[bt] = dict[shift + bt];
          }
          for (; bt < end; ++bt)
            buf[bt] = buf[bt - dt];
        }
      }
      st.l = lm, st.p = lpos, st.b = bt, st.f = final;
      if (lm)
        final = 1, st.m = lbt, st.d = dm, st.n = dbt;
    } while (!final);
    return bt != buf.length && noBuf ? slc(buf, 0, bt) : buf.subarray(0, bt);
  };
  var et = /* @__PURE__ */ new u8(0);
  var Inflate = /* @__PURE__ */ (function() {
    function Inflate2(opts, cb) {
      if (typeof opts == "function")
        cb = opts, opts = {};
      this.ondata = cb;
      var dict = opts && opts.dictionary && opts.dictionary.subarray(-32768);
      this.s = { i: 0, b: dict ? dict.length : 0 };
      this.o = new u8(32768);
      this.p = new u8(0);
      if (dict)
        this.o.set(dict);
    }
    Inflate2.prototype.e = function(c) {
      if (!this.ondata)
        err(5);
      if (this.d)
        err(4);
      if (!this.p.length)
        this.p = c;
      else if (c.length) {
        var n = new u8(this.p.length + c.length);
        n.set(this.p), n.set(c, this.p.length), this.p = n;
      }
    };
    Inflate2.prototype.c = function(final) {
      this.s.i = +(this.d = final || false);
      var bts = this.s.b;
      var dt = inflt(this.p, this.s, this.o);
      this.ondata(slc(dt, bts, this.s.b), this.d);
      this.o = slc(dt, this.s.b - 32768), this.s.b = this.o.length;
      this.p = slc(this.p, this.s.p / 8 | 0), this.s.p &= 7;
    };
    Inflate2.prototype.push = function(chunk, final) {
      this.e(chunk), this.c(final);
    };
    return Inflate2;
  })();
  var td = typeof TextDecoder != "undefined" && /* @__PURE__ */ new TextDecoder();
  var tds = 0;
  try {
    td.decode(et, { stream: true });
    tds = 1;
  } catch (e) {
  }

  // gzip.js
  var LINE_BYTES_MAX = 256 * 1024;
  var STEP_BYTES = 4096;
  function* linesOf(file, progress = () => {
  }) {
    const start = afterHeader(file);
    if (start === void 0) return;
    const pieces = [];
    const stream = new Inflate((piece) => pieces.push(piece));
    let rest = new Uint8Array(0);
    try {
      for (let at = start; at < file.length; at += STEP_BYTES) {
        stream.push(file.subarray(at, at + STEP_BYTES));
        progress(at / file.length);
        for (const piece of pieces.splice(0)) {
          rest = appended(rest, piece);
          let from = 0;
          for (let end; (end = rest.indexOf(10, from)) >= 0; from = end + 1) yield rest.subarray(from, end);
          rest = rest.subarray(from);
          if (rest.length > LINE_BYTES_MAX + 1) return yield rest;
        }
      }
      stream.push(Uint8Array.of(0), true);
    } catch {
      return;
    }
    if (rest.length > 0) yield rest;
  }
  function appended(rest, piece) {
    if (rest.length === 0) return piece;
    const both = new Uint8Array(rest.length + piece.length);
    both.set(rest);
    both.set(piece, rest.length);
    return both;
  }
  function afterHeader(file) {
    if (file.length < 10 || file[0] !== 31 || file[1] !== 139 || file[2] !== 8) return void 0;
    const flags = file[3];
    let at = 10;
    if (flags & 4) at += 2 + file[at] + 256 * file[at + 1];
    for (const flag of [8, 16]) {
      if (flags & flag) at = file.indexOf(0, at) + 1 || Infinity;
    }
    if (flags & 2) at += 2;
    return at < file.length ? at : void 0;
  }

  // moment.js
  var FORM = /^(\d{4})-(\d\d)-(\d\d)T(\d\d):(\d\d):(\d\d)(?:Z|([+-])(\d\d):(\d\d))$/;
  function readMoment(written) {
    const match = FORM.exec(written);
    if (!match) return void 0;
    const [year, month, day, hour, minute, second] = match.slice(1, 7).map(Number);
    const date2 = new Date(Date.UTC(year, month - 1, day, hour, minute, second));
    const exact = date2.toISOString().slice(0, 19) === written.slice(0, 19);
    const [hours, minutes] = [Number(match[8] ?? 0), Number(match[9] ?? 0)];
    const offset_s = (match[7] === "-" ? -1 : 1) * (hours * 3600 + minutes * 60);
    const at_s = date2.getTime() / 1e3 - offset_s;
    const within = year >= 1970 && year <= 9998 && at_s >= 0 && minutes <= 59 && Math.abs(offset_s) <= 14 * 3600;
    return exact && within ? { at_s, offset_s } : void 0;
  }
  function readHead(head) {
    try {
      const moment2 = readMoment(text(head.at));
      for (const number of [head.v ?? 1, head.seq, head.mseq, head.seen]) count(number);
      id(head.machine);
      id(head.by);
      const seen = Object.entries(head.also_seen ?? {});
      seen.forEach(([device, seq]) => [id(device), count(seq)]);
      const { clock } = head;
      const boot = clock && text(clock.boot).length <= 16 && Number.isInteger(whole(clock.began_s));
      const wall = clock?.wall === void 0 || readMoment(text(clock.wall)) !== void 0;
      const form = /^[a-z_]{1,64}$/.test(text(head.kind)) && (clock === void 0 || isObject(clock) && boot && wall);
      return moment2 && form ? moment2.at_s : void 0;
    } catch {
      return void 0;
    }
  }

  // story.js
  var LATE_S = 30 * 86400;
  var said = (value) => typeof value === "string" ? value : value === void 0 ? "" : JSON.stringify(value);
  var listed = (value) => Array.isArray(value) ? value : [];
  function milli(written) {
    const match = /^(\d{1,7})(?:\.(\d{1,3}))?$/.exec(typeof written === "string" ? written : "");
    return match ? Number(match[1]) * 1e3 + Number((match[2] ?? "").padEnd(3, "0")) : void 0;
  }
  function decimal(thousandths) {
    const [sign, size] = [thousandths < 0 ? "−" : "", Math.abs(thousandths)];
    const rest = String(size % 1e3).padStart(3, "0").replace(/0+$/, "");
    return `${sign}${Math.floor(size / 1e3)}${rest ? `.${rest}` : ""}`;
  }
  var inOrder = (a, b) => (a.at_s ?? 0) - (b.at_s ?? 0) || (a.device < b.device ? -1 : a.device > b.device ? 1 : a.seq - b.seq);
  var nameOf = (device, seq) => `${device}:${seq}`;
  var Story = class {
    constructor() {
      Object.assign(this, { top: void 0, keys: [], checkpoint: void 0, marks: /* @__PURE__ */ new Map(), people: /* @__PURE__ */ new Map() });
      this.entries = [];
    }
    take(kind, value) {
      if (kind === "history") this.top = value;
      if (kind === "keys") this.keys = value;
      if (kind === "checkpoint") this.checkpoint = value;
      if (kind === "device") this.marks.set(value.id, value.mark);
      if (kind === "person") this.people.set(value.id, value.name);
      if (kind === "entry") this.entries.push(record(value));
    }
    /** Everything that is shown. */
    told() {
      const byName = new Map(this.entries.map((entry) => [nameOf(entry.device, entry.seq), entry]));
      const find = (target) => byName.get(nameOf(target?.device, target?.seq));
      amend(this.entries, find);
      const ordered = [...this.entries].sort(inOrder);
      const counting = ordered.filter((entry) => !entry.struck && !entry.aside);
      const of = (...kinds) => counting.filter((entry) => kinds.includes(entry.kind));
      const machine = {};
      for (const entry of of("machine_added", "machine_changed")) {
        for (const key of ["name", "make", "model", "serial", "site"]) {
          if (key in entry.body) machine[key] = said(entry.body[key]);
        }
      }
      const meters = readings(of, machineMeter(of));
      return {
        machine,
        meters,
        entries: ordered,
        plan: of("plan_set").at(-1),
        services: services(of("task_done")),
        findings: findings(of, find),
        repairs: of("repair_done"),
        materials: materials(of("task_done", "repair_done")),
        fuel: of("fuel_filled"),
        changes: of("meter_changed"),
        notes: of("note_left"),
        hands: tally(counting),
        doubtful: doubtful(ordered, meters)
      };
    }
    /** How people are named: by name, or by number where names are withheld or not given. */
    person(id2) {
      if (!this.people.has(id2)) {
        this.unnamed ??= /* @__PURE__ */ new Map();
        if (!this.unnamed.has(id2)) this.unnamed.set(id2, `person ${this.unnamed.size + 1}`);
      }
      return this.people.get(id2) ?? this.unnamed.get(id2);
    }
  };
  function record({ name, device, seq, received_ms, altered, entry, aside, off_s }) {
    const { head } = entry;
    const at = typeof head.at === "string" ? head.at : "";
    const body = { ...entry.body };
    const moment2 = readMoment(at);
    return {
      name,
      device,
      seq,
      received_ms,
      altered,
      aside,
      off_s,
      at,
      body,
      at_s: moment2?.at_s,
      by: head.by,
      kind: said(head.kind),
      text: typeof entry.words?.text === "string" ? entry.words.text : void 0,
      files: files(entry.words),
      withheld: Object.keys(entry.withheld ?? {}),
      odd: [],
      corrections: []
    };
  }
  function files(words2) {
    const named2 = Array.isArray(words2?.files) ? words2.files : [];
    const whole2 = (file) => typeof file?.name === "string" && typeof file.bytes === "number" && typeof file.sha256 === "string";
    return named2.filter(whole2).map(({ name, bytes, sha256: sha2562 }) => {
      const hash2 = unbaseAny(sha2562);
      return `photo ${name}, ${bytes} bytes, SHA-256 ${hash2 === void 0 ? sha2562 : hex(hash2)}`;
    });
  }
  function amend(entries, find) {
    const amending = entries.filter((entry) => ["corrected", "struck", "released"].includes(entry.kind) && !entry.aside);
    amending.sort(inOrder);
    for (const by of amending) {
      const target = find(by.body.target);
      if (target === void 0) {
        by.odd.push("it is about an entry that is not in this file");
      } else if (by.kind === "struck") {
        target.struck = by;
      } else if (by.kind === "released") {
        target.released = target.aside;
        target.aside = void 0;
      } else {
        correct(target, by);
      }
    }
  }
  function correct(target, by) {
    const { field, value } = by.body;
    const [, part, key, ...deeper] = said(field).split("/");
    const places = { head: { at: "at", by: "by" }, words: { text: "text" } };
    const place = part === "body" ? key : places[part]?.[key];
    if (place === void 0 || deeper.length > 0) {
      by.odd.push(`it corrects ${said(field)}, which is shown here uncorrected`);
      return;
    }
    const holder = part === "body" ? target.body : target;
    target.corrections.push({ by, field: key, before: holder[place] });
    if (value === null) delete holder[place];
    else holder[place] = value;
    if (place === "at") target.at_s = readMoment(said(value))?.at_s;
  }
  var machineMeter = (of) => said(of("machine_added").at(-1)?.body.meter_kind ?? "hours");
  function readings(of, first) {
    const meters = /* @__PURE__ */ new Map([[first, { meter: first, points: [], added: 0, highest: void 0 }]]);
    const kinds = "meter_read shift_begun shift_ended fuel_filled task_done finding_raised repair_done meter_changed";
    for (const entry of of(...kinds.split(" "))) {
      const name = said(entry.body.meter ?? first);
      if (!meters.has(name)) meters.set(name, { meter: name, points: [], added: 0, highest: void 0 });
      const meter = meters.get(name);
      const changed = entry.kind === "meter_changed";
      const shown = milli(changed ? entry.body.old_reading : entry.body.reading);
      if (shown === void 0 || entry.at_s === void 0) continue;
      const life = shown + meter.added;
      const falls = meter.highest !== void 0 && life < meter.highest.life;
      const point = { entry, shown, life, at_s: entry.at_s, falls, source: entry.body.source };
      meter.points.push(point);
      if (!falls) meter.highest = point;
      if (changed) meter.added = life - (milli(entry.body.new_reading) ?? 0);
    }
    return [...meters.values()].filter((meter) => meter.points.length > 0 || meter.meter === first);
  }
  function services(done) {
    const tasks = /* @__PURE__ */ new Map();
    for (const entry of done) {
      const task = said(entry.body.task);
      if (!tasks.has(task)) tasks.set(task, { task, rows: [], last: void 0 });
      const known = tasks.get(task);
      const reading = milli(entry.body.reading);
      const since = reading !== void 0 && known.last !== void 0 ? reading - known.last : void 0;
      known.rows.push({ entry, reading, since });
      known.last = reading ?? known.last;
    }
    return [...tasks.values()].sort((a, b) => b.rows.length - a.rows.length);
  }
  function findings(of, find) {
    const ends2 = /* @__PURE__ */ new Map();
    for (const entry of of("repair_done", "finding_cleared")) {
      const closed = entry.kind === "repair_done" ? entry.body.closes : [entry.body.finding];
      for (const target of listed(closed)) {
        const finding = find(target);
        if (finding !== void 0 && !ends2.has(finding)) ends2.set(finding, entry);
      }
    }
    return of("finding_raised").map((entry) => ({ entry, end: ends2.get(entry) }));
  }
  function materials(entries) {
    const rows = /* @__PURE__ */ new Map();
    for (const entry of entries) {
      const used = entry.kind === "task_done" ? entry.body.materials : entry.body.parts;
      for (const one of listed(used)) {
        const [name, unit] = [said(one?.name ?? one), said(one?.unit)];
        const key = JSON.stringify([name, unit]);
        if (!rows.has(key)) rows.set(key, { name, unit, times: 0, total: 0, without: 0, entries: [] });
        const row = rows.get(key);
        const amount = milli(one?.amount);
        row.times += 1;
        row.total += amount ?? 0;
        row.without += amount === void 0 ? 1 : 0;
        row.entries.push(entry);
      }
    }
    return [...rows.values()].sort((a, b) => b.times - a.times);
  }
  function tally(entries) {
    const people = /* @__PURE__ */ new Map();
    entries.forEach((entry) => people.set(entry.by, (people.get(entry.by) ?? 0) + 1));
    return [...people].map(([person, count2]) => ({ person, count: count2 })).sort((a, b) => b.count - a.count);
  }
  function doubtful(entries, meters) {
    const falls = new Map(meters.flatMap((meter) => meter.points.filter((p) => p.falls).map((p) => [p.entry, meter.meter])));
    const points = [];
    for (const entry of entries) {
      const add2 = (why) => points.push({ entry, why });
      if (entry.altered) add2("altered, or not the entry that stood here: see the result of the check");
      if (entry.aside) add2(`set aside by the server (${entry.aside}): kept, not counted`);
      if (entry.released) add2(`had been set aside (${entry.released}); the office let it count`);
      if (entry.struck) add2(`struck by ${entry.struck.name}${entry.struck.text ? `: ${entry.struck.text}` : ""}`);
      for (const { by, field, before } of entry.corrections) {
        add2(`${field} was ${before === void 0 ? "not given" : JSON.stringify(before)}; corrected by ${by.name}`);
      }
      if (falls.has(entry)) add2(`a reading below an earlier one of the same meter (${falls.get(entry)})`);
      if (entry.off_s !== void 0) add2(`the device's clock was ${span(Math.abs(entry.off_s))} ${entry.off_s > 0 ? "ahead" : "behind"}`);
      if (entry.at_s === void 0) add2("its time cannot be read");
      const gap_s = entry.at_s === void 0 ? 0 : Math.floor(entry.received_ms / 1e3) - entry.at_s;
      if (gap_s < 0) add2(`claims a time ${span(-gap_s)} after the server had it`);
      if (gap_s > LATE_S) add2(`the server had it only ${span(gap_s)} after the time it claims`);
      entry.odd.forEach(add2);
    }
    return points;
  }
  function span(seconds) {
    const [minutes, hours, days] = [60, 3600, 86400].map((unit) => Math.floor(seconds / unit));
    if (days >= 2) return `${days} days`;
    if (hours >= 1) return `${hours} h ${Math.floor(seconds % 3600 / 60)} min`;
    return minutes >= 1 ? `${minutes} min` : `${seconds} s`;
  }

  // plot.js
  var SVG = "http://www.w3.org/2000/svg";
  var [WIDTH, HEIGHT, LEFT, RIGHT, TOP, BOTTOM] = [720, 300, 64, 12, 16, 34];
  var MONTHS = "Jan Feb Mar Apr May Jun Jul Aug Sep Oct Nov Dec".split(" ");
  var MARKS_MAX = 400;
  function shape(name, attributes, ...children) {
    const node2 = document.createElementNS(SVG, name);
    Object.entries(attributes).forEach(([key, value]) => node2.setAttribute(key, value));
    node2.append(...children);
    return node2;
  }
  function plot(meter, services2, findings2) {
    const believed = meter.points.filter((point) => !point.falls);
    if (believed.length < 2) return void 0;
    const times = meter.points.map((point) => point.at_s);
    const lives = believed.map((point) => point.life);
    const [from, until] = [Math.min(...ends(times)), Math.max(...ends(times))];
    const [low, high] = [Math.min(...ends(lives)), Math.max(...ends(lives))];
    const x2 = (at_s) => LEFT + (at_s - from) / (until - from || 1) * (WIDTH - LEFT - RIGHT);
    const within01 = (share) => Math.min(1, Math.max(0, share));
    const y = (life) => HEIGHT - BOTTOM - within01((life - low) / (high - low || 1)) * (HEIGHT - TOP - BOTTOM);
    const lifeAt = (at_s) => {
      const next = believed.findIndex((point) => point.at_s >= at_s);
      if (next <= 0) return believed.at(next).life;
      const [a, b] = [believed[next - 1], believed[next]];
      return a.life + (at_s - a.at_s) / (b.at_s - a.at_s || 1) * (b.life - a.life);
    };
    const within = (entry) => entry.at_s !== void 0 && entry.at_s >= from && entry.at_s <= until;
    const marks = (entries, draw) => thinned(entries.filter(within)).map((e) => draw(x2(e.at_s), y(lifeAt(e.at_s)), e));
    const round = (number) => number.toFixed(1);
    const line = believed.map((point) => `${round(x2(point.at_s))},${round(y(point.life))}`).join(" ");
    const done = services2.flatMap((task) => task.rows.map((row) => row.entry));
    const told = `${meter.meter} from ${decimal(low)} to ${decimal(high)}; ${done.length} services, ${findings2.length} findings`;
    return shape(
      "svg",
      { viewBox: `0 0 ${WIDTH} ${HEIGHT}`, role: "img", "aria-label": `Meter over time: ${told}`, class: "plot" },
      ...steps(low, high).flatMap((life) => [
        shape("line", { x1: LEFT, x2: WIDTH - RIGHT, y1: round(y(life)), y2: round(y(life)), class: "grid" }),
        shape("text", { x: LEFT - 6, y: round(y(life) + 4), class: "axis end" }, decimal(life))
      ]),
      ...dates(from, until).map(
        ({ at_s, label, anchor }) => shape("text", { x: round(x2(at_s)), y: HEIGHT - 10, class: `axis ${anchor}` }, label)
      ),
      shape("polyline", { points: line, class: "line" }),
      ...marks(done, (cx, cy) => shape("circle", { cx: round(cx), cy: round(cy), r: 3.5, class: "service" })),
      ...marks(
        findings2.map((finding) => finding.entry),
        (cx, cy) => shape("path", { d: `M${round(cx)} ${round(cy - 7)}l6 11h-12z`, class: "finding" })
      ),
      ...thinned(meter.points.filter((point) => point.falls)).map(
        (point) => shape("path", { d: `M${round(x2(point.at_s) - 4)} ${round(y(point.life) - 4)}l8 8m0 -8l-8 8`, class: "falls" })
      )
    );
  }
  var ends = (numbers) => [numbers.reduce((a, b) => Math.min(a, b)), numbers.reduce((a, b) => Math.max(a, b))];
  var thinned = (list2) => list2.filter((_, at) => at % Math.ceil(list2.length / MARKS_MAX || 1) === 0);
  function steps(low, high) {
    const rough = (high - low) / 5 || 1e3;
    const ten = 10 ** Math.floor(Math.log10(rough));
    const step = [1, 2, 5, 10].map((times) => times * ten).find((size) => size >= rough);
    const first = Math.ceil(low / step) * step;
    return Array.from({ length: Math.floor((high - first) / step) + 1 }, (_, at) => first + at * step);
  }
  function dates(from, until) {
    const label = (at_s) => {
      const date2 = new Date(at_s * 1e3);
      return `${date2.getUTCDate()} ${MONTHS[date2.getUTCMonth()]} ${date2.getUTCFullYear()}`;
    };
    const all = [[from, "start"], [(from + until) / 2, "middle"], [until, "end"]];
    const labelled = all.map(([at_s, anchor]) => ({ at_s, anchor, label: label(at_s) }));
    return labelled.filter(({ label: one }, at) => labelled.findIndex((other) => other.label === one) === at);
  }

  // dom.js
  function element(name, attributes, ...children) {
    const node2 = document.createElement(name);
    Object.entries(attributes).forEach(([key, value]) => node2.setAttribute(key, value));
    node2.append(...children);
    return node2;
  }
  function section(heading, ...children) {
    const id2 = `part-${heading.toLowerCase().replaceAll(/[^a-z]+/g, "-")}`;
    const title = element("h2", { id: id2 }, heading);
    return element("section", { "aria-labelledby": id2 }, title, ...children);
  }
  function table(caption, columns, rows) {
    const line = (...cells) => element("tr", { role: "row" }, ...cells);
    const head = line(...columns.map((column) => element("th", { scope: "col", role: "columnheader" }, column)));
    const body = rows.map(
      (row) => line(...row.map((cell, at) => element("td", { role: "cell", "data-column": columns[at] }, cell)))
    );
    const group = (name, ...lines) => element(name, { role: "rowgroup" }, ...lines);
    return element("table", { role: "table" }, element("caption", {}, caption), group("thead", head), group("tbody", ...body));
  }
  function clipped(items, most, { caption, columns, row, none }) {
    if (items.length === 0) return element("p", {}, none);
    const box = element("div", {});
    const show = (count2) => {
      const left = items.length - count2;
      box.replaceChildren(table(caption, columns, items.slice(0, count2).map(row)));
      if (left <= 0) return;
      const more = element("button", { type: "button", class: "screen" }, `Show ${Math.min(left, 10 * most)} more`);
      more.addEventListener("click", () => show(Math.min(items.length, count2 + 10 * most)));
      box.append(element("p", {}, `${left} more are not shown here. `, more));
    };
    show(Math.min(most, items.length));
    return box;
  }
  function worded(texts) {
    const there = texts.filter((text2) => text2 !== void 0 && text2 !== null && text2 !== "" && text2 !== false);
    const parts = there.flatMap((text2, at) => [...at > 0 ? [", "] : [], element("bdi", {}, said(text2))]);
    return element("span", {}, ...parts);
  }

  // show.js
  var ROWS = 100;
  var Show = class {
    constructor(root, words2) {
      Object.assign(this, { root, words: words2, onKey: void 0, onFile: void 0 });
      this.status = element("div", { id: "check", role: "status", "aria-live": "polite", tabindex: "-1" });
      this.key = this.keyForm();
      this.body = element("div", {});
      this.title = element("h1", {}, "Service history");
      root.replaceChildren(element("header", {}, this.title), this.status, this.key, this.body);
      this.dropping();
    }
    /** The form in which the key is given. */
    keyForm() {
      const field = element("input", {
        id: "key",
        name: "key",
        autocomplete: "off",
        autocapitalize: "off",
        spellcheck: "false",
        "aria-describedby": "key-why"
      });
      const wrong = element("p", { class: "wrong", role: "alert" });
      const form = element(
        "form",
        { class: "key screen" },
        element("label", { for: "key" }, "The organisation's key, as it was given to you another way than with this page"),
        element("div", { class: "row" }, field, element("button", { type: "submit" }, "Check with this key")),
        wrong,
        element(
          "p",
          { id: "key-why", class: "faint" },
          "43 characters, on paper, on the organisation's own page, or read from its code with your phone. A key inside the ",
          "file proves nothing: anyone can make a whole file with keys of their own."
        )
      );
      form.addEventListener("submit", (event) => {
        event.preventDefault();
        const pin = readKey(field.value);
        wrong.textContent = pin || field.value === "" ? "" : "That is no key: it has 43 letters, digits, - and _.";
        if (pin || field.value === "") this.onKey(pin);
      });
      return form;
    }
    dropping() {
      document.addEventListener("dragover", (event) => event.preventDefault());
      document.addEventListener("drop", (event) => {
        event.preventDefault();
        const [file] = event.dataTransfer?.files ?? [];
        if (file) this.onFile(file);
      });
    }
    /** A field that takes another file. */
    otherFile() {
      const field = element("input", { type: "file", id: "other", accept: ".gz,application/gzip" });
      field.addEventListener("change", () => field.files[0] && this.onFile(field.files[0]));
      return element("p", { class: "screen" }, element("label", { for: "other" }, "Check another history file, or drop it on this page: "), field);
    }
    empty() {
      this.status.replaceChildren(element("p", {}, "This page holds no file. It checks the one that you give it."), this.otherFile());
      this.body.replaceChildren(this.unproved());
    }
    working(part) {
      if (!this.bar?.isConnected) {
        this.bar = element("progress", { max: "100", "aria-label": "Checking the file" });
        this.status.className = "verdict judging";
        this.status.replaceChildren(element("p", { class: "word" }, "Checking …"), this.bar);
      }
      this.bar.value = Math.round(part * 100);
    }
    all(found) {
      Object.assign(this, found);
      this.showVerdict();
      try {
        this.detail();
      } catch (error) {
        this.body.replaceChildren(element("p", { class: "wrong" }, `What the file says cannot be shown: ${error.message}`), this.unproved(), this.pageSection());
      }
      this.status.dataset.checks = String(Number(this.status.dataset.checks ?? 0) + 1);
    }
    detail() {
      this.tale = this.story.told();
      const name = this.tale.machine.name ?? "a machine without a name";
      document.title = `Service history: ${name}`;
      this.title.replaceChildren("Service history: ", element("bdi", {}, name));
      const parts = [
        this.summarySection(),
        this.plotSection(),
        this.keepingSection(),
        this.servicesSection(),
        this.findingsSection(),
        this.handsSection(),
        this.partsSection(),
        this.changesSection(),
        this.doubtfulSection(),
        this.withheldSection(),
        this.entriesSection(),
        this.unproved(),
        this.keysSection(),
        this.pageSection()
      ];
      this.body.replaceChildren(...parts.filter(Boolean));
    }
    // --- The result of the check ---------------------------------------------------------------------------------------
    showVerdict() {
      const { standing, failures, failures_more: more } = this.verdict;
      const [sign, told] = VERDICTS[standing];
      const why = standing === "cannot judge" && this.pin === void 0 ? "internally consistent, signer unknown" : told;
      const lines = failures.map(
        (failure) => element("li", {}, element("bdi", {}, failure.told), element("span", { class: "faint" }, ` (line ${failure.line}, ${failure.code})`))
      );
      this.status.className = `verdict ${standing.replace(" ", "-")}`;
      this.status.replaceChildren(
        element("p", { class: "word" }, element("span", { "aria-hidden": "true" }, `${sign} `), standing.toUpperCase(), element("span", { class: "why" }, why ? `: ${why}` : "")),
        ...lines.length > 0 ? [element("ol", { class: "failures" }, ...lines)] : [],
        ...more > 0 ? [element("p", {}, `and ${more} more`)] : [],
        ...this.name ? [element("p", {}, "Of the file ", element("bdi", {}, this.name), ", which you gave to this page.")] : [],
        element("p", { class: "paper" }, "On paper nothing is checked: this is what the page said when it was printed."),
        element(
          "p",
          { class: "faint" },
          "Whoever made this page could have changed the part that checks. To be sure, check the same file with a page or a program from elsewhere: ",
          element("a", { href: "#about" }, "how"),
          "."
        )
      );
    }
    // --- The summary ---------------------------------------------------------------------------------------------------
    summarySection() {
      const { verdict, tale, story } = this;
      const { machine, findings: findings2, services: services2, doubtful: doubtful2 } = tale;
      const open = findings2.filter((finding) => !finding.end);
      const out = open.filter((finding) => finding.entry.body.urgency === "tagged out");
      const done = services2.reduce((sum, task) => sum + task.rows.length, 0);
      const rows = [
        ["Machine", [machine.name, machine.make, machine.model].filter(Boolean).join(", ") || "not said"],
        ["Serial number", machine.serial ?? "not said"],
        ["Kept by", `${verdict.organisation}, as it calls itself`],
        ...tale.meters.map((meter) => ["Meter", meterWords(meter)]),
        ["Recorded", `${counted(verdict.entries, "entry", "entries")} by ${counted(verdict.devices, "device", "devices")}${claimedWords(verdict.claimed)}`],
        ["Services", counted(done, "service", "services")],
        ["Open findings", open.length === 0 ? "none" : `${open.length}${out.length > 0 ? `, of which ${out.length} tag it out: it must not be run` : ""}`],
        ["People", counted(tale.hands.length, "person recorded", "people recorded")],
        ["Doubtful points", doubtful2.length === 0 ? "none found" : counted(doubtful2.length, "point", "points")]
      ];
      const keeping = this.summary?.book?.keeping ?? [];
      if (keeping.length > 0) rows.splice(6, 0, ["Kept up", keptWords(keeping)]);
      if (verdict.withheld.length > 0) rows.push(["Withheld", verdict.withheld.join(", ")]);
      const list2 = rows.flatMap(([name, value]) => [element("dt", {}, name), element("dd", { dir: "auto" }, value)]);
      return section("Summary", element("dl", { class: "summary" }, ...list2), story.top ? this.freshness() : "");
    }
    freshness() {
      const { longest_gap: gap, ahead, checkpoint_ms: made, witnesses, stamps } = this.verdict;
      const lines = [];
      if (made !== null) lines.push(`Up to the checkpoint of ${date(made)}, by the server's clock.`);
      if (gap) lines.push(`Longest from the time said to the server's receipt: ${span(gap[0])} (${gap[1]}).`);
      if (ahead > 0) lines.push(`${counted(ahead, "entry is", "entries are")} said to be later than their receipt.`);
      lines.push(
        ...witnesses.map(
          (by) => `Said to be co-signed by ${by.name}: that all of it was there by ${date(by.time_s * 1e3)}, by its clock. Not judged by this page, which knows no witness: pintle verify FILE --witness KEY.`
        )
      );
      for (const authority of new Set(stamps.map((stamp) => stamp.authority))) {
        const its = stamps.filter((stamp) => stamp.authority === authority);
        const { count: count2, at_s } = its.reduce((last, one) => one.count > last.count || one.count === last.count && one.at_s < last.at_s ? one : last);
        lines.push(
          `${counted(its.length, "time stamp", "time stamps")} said to be of ${authority}: that the first ${counted(count2, "entry", "entries")} existed by ${date(at_s * 1e3)}. Not judged by this page, which trusts no authority: pintle verify FILE --authority PEM.`
        );
      }
      return element("ul", {}, ...lines.map((line) => element("li", {}, line)));
    }
    plotSection() {
      const [meter] = this.tale.meters;
      const drawing = meter && plot(meter, this.tale.services, this.tale.findings);
      if (!drawing) return void 0;
      const legend = element(
        "figcaption",
        { class: "faint" },
        `${meter.meter} over time, as run in all. ● service  ▲ finding  ✕ reading below an earlier one`
      );
      return section("Hours over time", element("figure", {}, drawing, legend));
    }
    // --- Upkeep --------------------------------------------------------------------------------------------------------
    keepingSection() {
      const keeping = this.summary?.book?.keeping;
      const own = "Not computed by this page: it takes the rules of the plan, and more than the file holds. The services below show the hours between them.";
      if (!keeping) return section("Keeping up", element("p", {}, own));
      const rows = keeping.map((one) => [
        bdi(one.task),
        one.on_time,
        one.early,
        one.late,
        one.never,
        one.worst_permille > 0 ? `${Math.round(one.worst_permille / 10)} % of the interval` : "–"
      ]);
      return section(
        "Keeping up",
        element("p", { class: "claim" }, "As computed by whoever made this page, from the same entries; not checked by this page."),
        rows.length === 0 ? element("p", {}, "No task of the plan has come due.") : table("How the plan was kept, by task", ["Task", "On time", "Early", "Late", "Left out", "Worst overrun"], rows)
      );
    }
    servicesSection() {
      const plans = new Map(this.planned().map((task) => [said(task.task), task]));
      const parts = this.tale.services.map(({ task, rows }) => {
        const every = Object.entries(plans.get(task)?.every ?? {}).map(everyWords);
        const times = `${counted(rows.length, "time", "times")}.${every.length > 0 ? ` Planned every ${every.join(" or ")}.` : ""}`;
        const drawn = clipped([...rows].reverse(), ROWS, {
          caption: `Services: ${task}`,
          columns: ["When", "Meter", "Since the last", "By", "What", "Entry"],
          row: ({ entry, reading, since }) => [
            moment(when(entry)),
            reading === void 0 ? "–" : decimal(reading),
            since === void 0 ? "–" : decimal(since),
            this.by(entry),
            serviceWords(entry),
            ref(entry)
          ]
        });
        return element("div", {}, element("h3", { dir: "auto" }, task), element("p", {}, times), drawn);
      });
      return section("Services", ...parts.length > 0 ? parts : [element("p", {}, "None recorded.")]);
    }
    /** The tasks of the plan that was set last. */
    planned() {
      return listed(this.tale.plan?.body.tasks).filter((task) => typeof task === "object" && task !== null);
    }
    findingsSection() {
      const { findings: findings2, repairs } = this.tale;
      const ended = (end) => `${end.kind === "repair_done" ? "repaired" : "cleared"} ${when(end)}, ${end.name}`;
      return section(
        "Findings and repairs",
        clipped([...findings2].reverse(), ROWS, {
          caption: "Findings",
          columns: ["When", "What", "In their words", "By", "Ended", "Entry"],
          row: ({ entry, end }) => [
            moment(when(entry)),
            worded([entry.body.urgency, entry.body.sign, entry.body.point]),
            words(entry),
            this.by(entry),
            end ? ended(end) : element("strong", {}, "open"),
            ref(entry)
          ],
          none: "No findings recorded."
        }),
        clipped([...repairs].reverse(), ROWS, {
          caption: "Repairs",
          columns: ["When", "What", "In their words", "By", "Work", "Entry"],
          row: (entry) => [
            moment(when(entry)),
            worded([entry.body.point, entry.body.cause, entry.body.remedy]),
            words(entry),
            this.by(entry),
            entry.body.minutes === void 0 ? "–" : `${said(entry.body.minutes)} min`,
            ref(entry)
          ],
          none: "No repairs recorded."
        })
      );
    }
    handsSection() {
      const hands = this.summary?.book?.hands?.life;
      const shares = (hands?.people ?? []).map((part) => [bdi(this.story.person(part.person)), `${part.amount} ${hands.by}`]);
      return section(
        "Hands",
        ...shares.length > 0 ? [
          element("p", { class: "claim" }, `As computed by whoever made this page: ${hands.effective} hands in effect, over ${hands.total} ${hands.by}; one regular operator is 1.`),
          table("Who ran it", ["Person", "Share"], shares)
        ] : [],
        clipped(this.tale.hands, ROWS, {
          caption: "Who recorded how much",
          columns: ["Person", "Entries"],
          row: ({ person, count: count2 }) => [bdi(this.story.person(person)), count2],
          none: "Nobody recorded anything."
        })
      );
    }
    partsSection() {
      const { materials: materials2, fuel } = this.tale;
      const needs = this.planned().filter((task) => listed(task.needs).length > 0);
      const litres = fuel.reduce((sum, entry) => sum + (milli(entry.body.litres) ?? 0), 0);
      const total = ({ times, without, total: sum, unit }) => {
        if (times === without) return "not said";
        return `${decimal(sum)} ${unit}${without > 0 ? ` and ${counted(without, "time", "times")} not said` : ""}`;
      };
      return section(
        "Parts and fluids",
        clipped(materials2, ROWS, {
          caption: "What was used",
          columns: ["What", "Times", "In all", "Last in"],
          row: (used) => [
            bdi(used.name),
            used.times,
            bdi(total(used)),
            used.entries.slice(-3).map((entry) => entry.name).join(", ") + (used.entries.length > 3 ? " …" : "")
          ],
          none: "No parts or fluids recorded."
        }),
        needs.length > 0 ? table("What the plan asks for", ["Task", "Specification"], needs.map((task) => [bdi(said(task.task)), worded(task.needs)])) : "",
        element("p", {}, fuel.length === 0 ? "No fuel recorded." : `Fuel: ${decimal(litres)} l in ${counted(fuel.length, "fill", "fills")}.`)
      );
    }
    changesSection() {
      return section("Meter changes", clipped(this.tale.changes, ROWS, {
        caption: "Meter changes",
        columns: ["When", "Meter", "Reading", "Why", "By", "Entry"],
        row: (entry) => [
          moment(when(entry)),
          bdi(said(entry.body.meter ?? "the first meter")),
          `${said(entry.body.old_reading)} → ${said(entry.body.new_reading)}`,
          bdi(said(entry.body.reason ?? "no reason given")),
          this.by(entry),
          ref(entry)
        ],
        none: "None recorded."
      }));
    }
    // --- What to look at twice -----------------------------------------------------------------------------------------
    doubtfulSection() {
      const made = this.summary?.book;
      const name = ({ device, seq }) => `${this.story.marks.get(device) ?? "?"}-${seq}`;
      const sides = (of) => of.sides.map((side) => name(side.entry)).join(" and ");
      const more = [
        ...(made?.clashes ?? []).map((clash) => `people disagree: ${sides(clash)} (${clash.matter})`),
        ...(made?.twins ?? []).map((twin) => `probably recorded twice: ${sides(twin)} (${twin.matter})`),
        ...(made?.doubts ?? []).map((doubt) => `${name(doubt.entry)}: ${doubt.detail} (${doubt.code})`)
      ];
      return section(
        "Doubtful points",
        clipped(this.tale.doubtful, 5 * ROWS, {
          caption: "Entries to look at twice",
          columns: ["Entry", "When", "Why"],
          row: ({ entry, why }) => [ref(entry), moment(when(entry)), bdi(why)],
          none: "This page found none."
        }),
        more.length > 0 ? element("div", {}, element("p", { class: "claim" }, "As computed by whoever made this page:"), element("ul", {}, ...more.map((line) => element("li", { dir: "auto" }, line)))) : ""
      );
    }
    withheldSection() {
      const { withheld, with_withheld: entries } = this.verdict;
      if (withheld.length === 0 && entries === 0) return section("Withheld", element("p", {}, "Nothing is said to be withheld."));
      const parts = /* @__PURE__ */ new Map();
      this.tale.entries.forEach((entry) => entry.withheld.forEach((part) => parts.set(part, (parts.get(part) ?? 0) + 1)));
      const lines = [...parts].map(([part, count2]) => `${part}: in ${counted(count2, "entry", "entries")}`);
      return section(
        "Withheld",
        element("p", {}, `Withheld, as the file says: ${withheld.join(", ") || "nothing"}. Of what is withheld the hash is in the chain: it was not changed since.`),
        element("ul", {}, ...lines.map((line) => element("li", {}, line)))
      );
    }
    entriesSection() {
      return section("All entries", clipped([...this.tale.entries].reverse(), ROWS, {
        caption: "All entries, the newest first",
        columns: ["Entry", "When, as claimed", "Received", "Kind", "What", "By"],
        row: (entry) => [
          ref(entry),
          moment(when(entry)),
          moment(date(entry.received_ms)),
          bdi(entry.kind.replaceAll("_", " ")),
          bodyWords(entry, this.story.marks),
          this.by(entry)
        ],
        none: "None."
      }));
    }
    // --- What is proved ------------------------------------------------------------------------------------------------
    unproved() {
      return section("Not proved by any file", element("ul", {}, ...this.words.not_proved.map((line) => element("li", {}, line))));
    }
    keysSection() {
      const { story, verdict } = this;
      const keys2 = story.keys.map((one) => [one.epoch, element("code", { class: "long" }, grouped(one.key))]);
      return section(
        "Keys and checkpoint",
        element("p", {}, "Compare one of these keys with the one that was given to you another way. Read here alone they prove nothing."),
        keys2.length > 0 ? table("Keys in this file", ["Epoch", "Key"], keys2) : element("p", {}, "The file has no key that can be read."),
        element("p", {}, verdict.signer ? "The checkpoint is signed by the newest of them." : "No checkpoint is signed by the newest of them."),
        element("p", {}, "SHA-256 of the history file: ", element("code", { class: "long" }, this.hex.replace(/.{8}/g, "$& ").trim()))
      );
    }
    pageSection() {
      const save = element("button", { type: "button", class: "screen" }, "Save the history file that this page holds");
      save.addEventListener("click", () => {
        const link = element("a", { download: "service-history.gz", href: URL.createObjectURL(new Blob([this.file], { type: "application/gzip" })) });
        link.click();
        URL.revokeObjectURL(link.href);
      });
      const about = section(
        "About this page",
        element("p", {}, "This page holds the history file and a program that checks it, and needs no network. Whoever gave it to you could have given you another program with it. So save the file, and check it with a page or a program that you got elsewhere: drop it on that page, or run pintle verify FILE --key KEY."),
        save,
        this.otherFile(),
        element("p", {}, "Numbers marked as computed by whoever made this page are theirs; all others this page counted in the entries.")
      );
      about.id = "about";
      return about;
    }
    by(entry) {
      return element("bdi", { class: "name" }, this.story.person(entry.by));
    }
  };
  var VERDICTS = {
    valid: ["✓", "nothing altered, nothing left out, signed by the key you gave"],
    "cannot judge": ["?", ""],
    incomplete: ["!", "what is here was not altered, but something is missing"],
    invalid: ["✕", "something was altered, or is not signed by whom it should be"]
  };
  function readKey(spelled) {
    const plain = spelled.replaceAll(/\s/g, "");
    const vkey = /^[^+]+\+[0-9a-f]{8}\+(.+)$/.exec(plain);
    const bytes = vkey ? unbase64(vkey[1])?.subarray(1) : unbase64(`${plain.replaceAll("-", "+").replaceAll("_", "/")}=`);
    return bytes?.length === 32 ? bytes : void 0;
  }
  var bdi = (text2) => element("bdi", {}, text2);
  var grouped = (key) => key.replace(/.{4}/g, "$& ").trim();
  var counted = (number, one, many) => `${number} ${number === 1 ? one : many}`;
  var ref = (entry) => element("span", { class: entry.altered ? "altered" : "ref" }, entry.name);
  var words = (entry) => entry.text === void 0 ? entry.withheld.includes("words") ? element("em", {}, "withheld") : "" : bdi(entry.text);
  var MONTHS2 = "Jan Feb Mar Apr May Jun Jul Aug Sep Oct Nov Dec".split(" ");
  var moment = (text2) => element("span", { class: "time" }, text2);
  function when(entry) {
    const match = /^(\d{4})-(\d\d)-(\d\d)T(\d\d:\d\d)/.exec(entry.at);
    return match && entry.at_s !== void 0 ? `${Number(match[3])} ${MONTHS2[match[2] - 1]} ${match[1]}, ${match[4]}` : "no time";
  }
  function date(ms) {
    const moment2 = new Date(ms);
    if (Number.isNaN(moment2.getTime())) return "a time beyond the calendar";
    const iso = moment2.toISOString();
    return `${moment2.getUTCDate()} ${MONTHS2[moment2.getUTCMonth()]} ${moment2.getUTCFullYear()}, ${iso.slice(11, 16)} UTC`;
  }
  function meterWords({ meter, points, highest, added }) {
    if (!highest) return `${meter}: no reading`;
    const life = added === 0 ? "" : `, ${decimal(highest.life)} in all with the meters before`;
    const falls = points.filter((point) => point.falls).length;
    const odd = falls > 0 ? `; ${counted(falls, "reading is", "readings are")} below an earlier one` : "";
    return `${decimal(highest.shown)} ${meter} on ${when(highest.entry)} (${highest.entry.name})${life}${odd}`;
  }
  var claimedWords = (claimed) => claimed ? `, said to be of ${claimed[0].slice(0, 10)} to ${claimed[1].slice(0, 10)}` : "";
  var everyWords = ([clock, value]) => `${said(value)} ${said(value) === "1" ? clock.replace(/s$/, "") : clock}`;
  function keptWords(keeping) {
    const sum = (field) => keeping.reduce((all2, one) => all2 + one[field], 0);
    const all = ["on_time", "early", "late", "never"].reduce((total, field) => total + sum(field), 0);
    return `${sum("on_time")} of ${all} on time, ${sum("late")} late, ${sum("never")} left out, ${sum("early")} early (as computed by whoever made this page)`;
  }
  function serviceWords({ body, text: text2 }) {
    const skipped = listed(body.skipped).map((one) => {
      const reason = one?.reason === void 0 ? "" : ` (${said(one.reason)})`;
      return `skipped ${said(one?.point ?? one)}${reason}`;
    });
    const points = listed(body.points).map((point) => `at ${said(point)}`);
    return worded([...points, body.purge === void 0 ? "" : `purge ${said(body.purge)}`, ...skipped, text2]);
  }
  function bodyWords(entry, marks) {
    const spelled = (value) => {
      if (Array.isArray(value)) return value.map(spelled).join(", ");
      if (typeof value !== "object" || value === null) return String(value);
      if (marks.has(value.device) && "seq" in value) return `${marks.get(value.device)}-${value.seq}`;
      return Object.entries(value).map(([name, one]) => `${name.replaceAll("_", " ")} ${spelled(one)}`).join(" ");
    };
    const fields2 = Object.entries(entry.body).map(([name, value]) => `${name.replaceAll("_", " ")} ${spelled(value)}`);
    const hidden = entry.withheld.map((part) => `${part} withheld`);
    return worded([...entry.struck ? ["struck"] : [], ...fields2, entry.text, ...entry.files, ...hidden]);
  }

  // proof.js
  var INCLUSION_HASHES_MAX = 63;
  var ROLL_HASHES_MAX = 256;
  var NOTE_BYTES_MAX = 64 * 1024;
  var NOTE_LINES_MAX = 100;
  var tag = (byte) => Uint8Array.of(byte);
  var leaf = (data) => hash(tag(0), data);
  var node = (left, right) => hash(tag(1), left, right);
  var Tree = class {
    constructor() {
      this.size = 0;
      this.parts = [];
    }
    push(leafHash) {
      let joint = leafHash;
      for (let size = this.size; size % 2 === 1; size = (size - 1) / 2) joint = node(this.parts.pop(), joint);
      this.parts.push(joint);
      this.size += 1;
    }
    root() {
      return this.parts.length === 0 ? hash() : this.parts.reduceRight((right, left) => node(left, right));
    }
  };
  function included(leafHash, index, size, proof, root) {
    if (index >= size || size > BigInt(Number.MAX_SAFE_INTEGER) || proof.length > INCLUSION_HASHES_MAX) return false;
    let [place, last, joint] = [index, size - 1n, leafHash];
    for (const beside of proof) {
      if (last === 0n) return false;
      if (place & 1n || place === last) {
        joint = node(beside, joint);
        while (!(place & 1n) && place !== 0n) [place, last] = [place >> 1n, last >> 1n];
      } else {
        joint = node(joint, beside);
      }
      [place, last] = [place >> 1n, last >> 1n];
    }
    return last === 0n && same(joint, root);
  }
  function rollRoot(organisation, machine, count2, root, proof) {
    if (proof.length > ROLL_HASHES_MAX) return void 0;
    const key = hash(utf8("pintle/machine/1\n"), organisation, machine);
    const bit = (depth) => key[depth >> 3] >> 7 - (depth & 7) & 1;
    return proof.reduce((joint, beside, at) => {
      const [left, right] = bit(proof.length - 1 - at) ? [beside, joint] : [joint, beside];
      return hash(tag(3), left, right);
    }, hash(tag(2), key, eight(count2), root));
  }
  function readNote(whole2) {
    const split2 = whole2.lastIndexOf("\n\n");
    const foreign = /[\0-\x09\x0b-\x1f\x7f-\x9f]/.test(whole2);
    if (utf8(whole2).length > NOTE_BYTES_MAX || foreign || split2 < 0 || !whole2.slice(split2 + 2).endsWith("\n")) {
      return void 0;
    }
    const lines = whole2.slice(split2 + 2, -1).split("\n").map(signatureLine);
    if (lines.length > NOTE_LINES_MAX || lines.includes(void 0)) return void 0;
    return { text: whole2.slice(0, split2 + 1), lines };
  }
  function signatureLine(line) {
    const [dash, name, spelled, ...more] = line.split(" ");
    const data = spelled === void 0 ? void 0 : unbase64(spelled);
    if (dash !== "—" || !usableName(name) || more.length > 0 || !(data?.length > 4)) return void 0;
    return { name, id: hex(data.subarray(0, 4)), signature: data.subarray(4) };
  }
  var usableName = (name) => /^[^\p{White_Space}\p{Cc}+]+$/u.test(name);
  var LOG = 1;
  var WITNESS = 4;
  var keyId = ({ name, kind, key }) => hex(hash(utf8(`${name}
`), tag(kind), key).subarray(0, 4));
  function readWitness(vkey) {
    const [name, id2, ...rest] = vkey.split("+");
    const data = unbase64(rest.join("+"));
    if (data?.length !== 33 || data[0] !== WITNESS || !usableName(name)) return void 0;
    const signer = { name, kind: WITNESS, key: data.subarray(1) };
    return keyId(signer) === id2 ? signer : void 0;
  }
  function judged(note, signer, verify) {
    const id2 = keyId(signer);
    let found = false;
    for (const line of note.lines.filter((one) => one.name === signer.name && one.id === id2)) {
      let [signature, message, worth] = [line.signature, utf8(note.text), true];
      if (signer.kind === WITNESS) {
        if (signature.length < 8) return false;
        worth = new DataView(signature.buffer, signature.byteOffset).getBigUint64(0);
        message = joined(utf8(`cosignature/v1
time ${worth}
`), message);
        signature = signature.subarray(8);
      }
      if (signature.length !== 64 || !verify(signer.key, message, signature)) return false;
      found = worth;
    }
    return found;
  }
  function readCheckpoint(noteText) {
    const match = /^([^\n]+)\n(0|[1-9][0-9]{0,19})\n([A-Za-z0-9+/=]+)\n(?:[^\n]+\n)*$/.exec(noteText);
    const root = match ? unbase64(match[3]) : void 0;
    if (root?.length !== 32 || BigInt(match[2]) >= 2n ** 64n) return void 0;
    return { origin: match[1], size: BigInt(match[2]), root };
  }

  // stamps.js
  var STAMPS_MAX = 260;
  var TOKEN_BYTES_MAX = 64 * 1024;
  var named = (shown) => `the time stamp over the first ${shown.count} entries`;
  var Stamps = class {
    constructor() {
      Object.assign(this, { all: [], done: 0, found: [], strangers: [] });
    }
    /** Takes the line of a stamp; gives what is told of it if it is false. */
    take(line, epochs, shown) {
      fields(shown, [
        "epoch",
        "size",
        "root",
        "count",
        "position",
        "index",
        "inclusion",
        "authority",
        "at_s",
        "token"
      ]);
      [shown.epoch, shown.size, shown.count, shown.position, shown.index].forEach(count);
      const [root, inclusion] = [hash32(shown.root), list(shown.inclusion, hash32)];
      [shown.authority, shown.token].forEach(text);
      whole(shown.at_s);
      if (this.all.length >= STAMPS_MAX) throw new Bad("there are more time stamps than a file may have");
      if (shown.count < (this.all.at(-1)?.shown.count ?? 1) || shown.position === 0 || shown.index >= shown.size) {
        throw new Bad("the numbers of a time stamp do not fit together");
      }
      const token = unbaseAny(shown.token);
      if (token === void 0 || token.length === 0 || token.length > TOKEN_BYTES_MAX) {
        throw new Bad("what should be a time stamp's token is none");
      }
      const known = epochs.includes(shown.epoch);
      this.all.push({ line, shown, root, inclusion, known });
      return known ? void 0 : `${named(shown)} is false: it is of an epoch that the file has no key of`;
    }
    /** An entry was added to the machine's tree: looks at the stamps that end with it. */
    reached(tree, row, machine) {
      for (; this.all[this.done]?.shown.count === tree.size; this.done += 1) {
        const { line, shown, root, inclusion, known } = this.all[this.done];
        if (!known) continue;
        const place = { count: shown.count, machine, machine_root: base64url(tree.root()), position: shown.position };
        const entryLeaf = leaf(utf8(canonical({ ...row, ...place })));
        if (included(entryLeaf, BigInt(shown.index), BigInt(shown.size), inclusion, root)) {
          const { authority, at_s, count: entries } = shown;
          this.found.push({ authority, at_s, count: entries, standing: "unjudged", by_s: null });
        } else {
          this.strangers.push({ line, told: `${named(shown)} is not of these entries: the last of them is not where it says` });
        }
      }
    }
    /** Those that are not of this file's entries. */
    unproved() {
      const beyond = this.all.slice(this.done).filter((one) => one.known);
      const told = beyond.map(({ line, shown }) => ({ line, told: `${named(shown)} is about more entries than the file has` }));
      return [...this.strangers, ...told];
    }
  };

  // verify.js
  var VERSION_PLAIN = 1;
  var VERSION_STAMPED = 2;
  var LINES_MAX = 1e7;
  var FAILURES_MAX = 100;
  var DEVICES_MAX = 1e4;
  var GENTLE = { "entries-missing": "incomplete", "file-cut": "incomplete", "unknown-version": "cannot judge" };
  var STANDINGS = ["valid", "cannot judge", "incomplete", "invalid"];
  var TOP2 = ["history", "keys", "checkpoint"];
  var BODY = ["device", "person", "batch", "entry", "other", "end"];
  var PARTS = ["head", "body", "words", "office"];
  var JUMPED = "machine-sequence-gap";
  var Verifier = class {
    /** `pin` is the key to check with, 32 bytes, or undefined; `seen` is told what every readable line says. */
    constructor(pin, seen = () => {
    }) {
      Object.assign(this, { pin, seen, lines: 0, stage: "history", failures: [], more: 0, worst: "valid" });
      Object.assign(this, { tree: new Tree(), stamps: new Stamps(), devices: [], open: void 0, strayed: void 0, pinned: false });
      this.about = {
        organisation: "",
        machine: "",
        withheld: [],
        entries: 0,
        aside: 0,
        with_withheld: 0,
        devices: 0,
        claimed: null,
        longest_gap: null,
        ahead: 0,
        checkpoint_ms: null,
        witnesses: [],
        stamps: [],
        proved: null,
        signer: null
      };
    }
    /** Looks at the next line: bytes without a line feed. */
    line(line) {
      this.lines += 1;
      if (this.stage === "lost") return;
      if (this.lines > LINES_MAX || line.length > LINE_BYTES_MAX) {
        this.damaged("it is longer than a file or a line may be");
        this.stage = "lost";
        return;
      }
      const before = this.stage;
      try {
        this.value(read(line));
      } catch (error) {
        if (!(error instanceof Bad)) throw error;
        this.damaged(error.message);
      }
      if (TOP2.includes(before) && this.stage === before) this.stage = "lost";
    }
    value(line) {
      const kind = isObject(line) ? [...TOP2, "stamp", ...BODY].find((one) => one in line) : void 0;
      if (this.stage === "stamp" && kind !== "stamp") {
        this.stage = "body";
        if (this.stamps.all.length === 0) this.damaged("a file of version 2 has a time stamp here");
      }
      if (this.stage === "ended") throw new Bad("there is something after the end");
      if (kind !== this.stage && !(this.stage === "body" && BODY.includes(kind))) {
        throw new Bad("a line of this kind has no place here");
      }
      fields(line, kind === "entry" ? ["entry", "link"] : [kind], kind === "entry" ? ["aside", "off_s"] : []);
      this[kind](line[kind], line);
    }
    // --- The top -------------------------------------------------------------------------------------------------------
    history(top) {
      fields(top, ["v", "organisation", "machine", "made_ms", "withheld"]);
      fields(top.organisation, ["id", "name"]);
      this.organisation = id(top.organisation.id);
      this.machine = id(top.machine);
      this.names = { organisation: top.organisation.id, machine: top.machine };
      whole(top.made_ms);
      const name = text(top.organisation.name);
      Object.assign(this.about, { organisation: name, machine: top.machine, withheld: list(top.withheld, text) });
      this.stage = "keys";
      this.stamped = count(top.v) === VERSION_STAMPED;
      if (top.v < VERSION_PLAIN || top.v > VERSION_STAMPED) {
        this.fail("unknown-version", `the file is of version ${top.v}, this program reads up to ${VERSION_STAMPED}`);
        this.stage = "lost";
      }
      this.seen("history", top);
    }
    keys(keys2) {
      const all = list(keys2, (one) => {
        fields(one, ["epoch", "key"], ["proof"]);
        const proof = "proof" in one ? unbase(one.proof, 64) : void 0;
        return { epoch: count(one.epoch), key: hash32(one.key), proof };
      });
      this.stage = "checkpoint";
      for (const [at, after] of all.entries()) {
        if (at > 0 && !this.vouched(all[at - 1], after)) {
          const told = `the key of epoch ${after.epoch} is not vouched for by the one of epoch ${all[at - 1].epoch}`;
          this.fail("key-not-vouched", told);
        }
      }
      this.signer = all.at(-1);
      this.epochs = all.map((one) => one.epoch);
      if (this.signer === void 0) {
        this.fail("checkpoint-not-signed", "the file has no key");
      } else if (this.pin !== void 0 && !all.some((one) => same(one.key, this.pin))) {
        this.fail("unknown-signer", "the file is signed by another key than the one it was to be checked with");
      } else {
        this.pinned = this.pin !== void 0;
        this.about.signer = base64url(this.signer.key);
      }
      this.seen("keys", keys2);
    }
    vouched(before, after) {
      const domain = utf8("pintle/checkpoint-key/1\n");
      const message = joined(domain, this.organisation, eight(before.epoch), eight(after.epoch), after.key);
      return after.epoch > before.epoch && after.proof !== void 0 && signed(before.key, message, after.proof);
    }
    checkpoint(shown) {
      fields(shown, ["note", "witnesses", "roll", "inclusion", "count", "root", "proof"]);
      fields(shown.roll, ["machines", "made_ms", "position", "root"]);
      [shown.roll.machines, shown.roll.position].forEach(count);
      const [roll, root] = [hash32(shown.roll.root), hash32(shown.root)];
      const [inclusion, proof] = [list(shown.inclusion, hash32), list(shown.proof, hash32)];
      const [note, witnesses] = [readNote(text(shown.note)), list(shown.witnesses, text)];
      const made_ms = whole(shown.roll.made_ms);
      const counted2 = count(shown.count);
      this.stage = this.stamped ? "stamp" : "body";
      if (this.signer === void 0) return;
      this.shown = { count: counted2, root };
      this.about.checkpoint_ms = made_ms;
      const opened = note && this.opened(note);
      if (!opened) {
        this.about.signer = null;
        const told = "the checkpoint is not signed by the newest key of the file for this organisation";
        this.fail("checkpoint-not-signed", told);
      } else {
        const rollLeaf = leaf(utf8(canonical({ roll: shown.roll })));
        const last = opened.size > 0n ? opened.size - 1n : 0n;
        if (!included(rollLeaf, last, opened.size, inclusion, opened.root)) {
          this.fail("roll-not-proved", "the roll of machines is not the last leaf under the checkpoint");
        }
      }
      const led = rollRoot(this.organisation, this.machine, counted2, root, proof);
      if (led === void 0 || !same(led, roll)) {
        const told = `the roll of machines does not say ${counted2} entries with that root of this machine`;
        this.fail("count-not-proved", told);
      }
      if (note) witnesses.forEach((vkey) => this.witness(note, vkey));
      this.seen("checkpoint", shown);
    }
    stamp(shown) {
      const told = this.stamps.take(this.lines, this.epochs, shown);
      if (told !== void 0) this.fail("stamp-false", told);
      this.seen("stamp", shown);
    }
    /** The checkpoint in a note, if it is this log's and signed by its newest key. */
    opened(note) {
      const name = `pintle/${this.names.organisation}/${this.signer.epoch}`;
      const checkpoint = readCheckpoint(note.text);
      const good = checkpoint?.origin === name && judged(note, { name, kind: LOG, key: this.signer.key }, signed);
      return good ? checkpoint : void 0;
    }
    witness(note, vkey) {
      const signer = readWitness(vkey);
      const time = signer !== void 0 && judged(note, signer, signed);
      if (time === false) this.fail("witness-false", `the co-signature of ${vkey} is not under the checkpoint`);
      else this.about.witnesses.push({ name: signer.name, key: vkey, time_s: Number(time), known: false });
    }
    // --- The entries ---------------------------------------------------------------------------------------------------
    device(device) {
      fields(device, ["id", "mark", "key", "person"]);
      const known = { id: id(device.id), key: hash32(device.key), mark: text(device.mark), name: device.id };
      id(device.person);
      this.close();
      known.own = same(known.id, hash(known.key).subarray(0, 16));
      if (!known.own) this.fail("device-not-of-key", `the id of device ${known.mark} is not that of its key`);
      if (this.devices.length >= DEVICES_MAX || this.devices.some((one) => one.name === known.name)) {
        throw new Bad("a device is named twice, or there are more than a file may name");
      }
      this.about.devices += 1;
      this.devices.push({ ...known, seq: 0, mseq: 0 });
      this.seen("device", device);
    }
    /** A name is told, not proved: nothing of it is checked. */
    person(person) {
      fields(person, ["id", "name"]);
      id(person.id);
      text(person.name);
      this.close();
      this.seen("person", person);
    }
    batch(batch) {
      fields(batch, ["device", "from", "to", "first", "received_ms", "signature", "root"], ["previous"]);
      const [number, from, to, first] = [batch.device, batch.from, batch.to, batch.first].map(count);
      const previous = "previous" in batch ? hash32(batch.previous) : void 0;
      const [signature, root] = [unbase(batch.signature, 64), hash32(batch.root)];
      const received_ms = whole(batch.received_ms);
      this.close();
      const device = this.devices[number];
      if (device === void 0) throw new Bad("a batch is of a device that the file does not name");
      const fit = first >= 1 && first <= to && from >= 1 && from <= to;
      if (!fit || previous === void 0 !== (first === 1)) {
        throw new Bad("the numbers of a batch do not fit together");
      }
      const { mark } = device;
      if (first <= device.seq) {
        const told = `${mark}-${first} comes again or too late: ${mark}-${device.seq} came before it`;
        this.fail("out-of-order", told);
      }
      const link = previous ?? hash(utf8("pintle/log/1\n"), device.key);
      const place = { line: this.lines, seq: first - 1, shown: void 0 };
      this.open = { device, from, to, first, signature, root, received_ms, link, ...place };
      this.seen("batch", batch);
    }
    /** The name of the entry that comes next, as people say it. */
    next() {
      return `${this.open.device.mark}-${this.open.seq + 1}`;
    }
    /** Steps to the next entry of the batch, which has these hashes of its parts; gives the link that it leads to. */
    step(hashes) {
      if (this.open === void 0) throw new Bad("an entry stands in no batch");
      if (this.open.seq >= this.open.to) throw new Bad("a batch has more entries than its seal covers");
      this.open.seq += 1;
      return hash(this.open.link, ...hashes);
    }
    other(parts) {
      const hashes = list(parts, hash32);
      if (hashes.length !== 4) throw new Bad("an entry has four parts");
      const link = this.step(hashes);
      this.open.link = link;
    }
    entry(entry, line) {
      const [hashes, link] = [partHashes(entry), hash32(line.link)];
      if ("aside" in line) text(line.aside);
      if ("off_s" in line) whole(line.off_s);
      const name = this.open && this.next();
      const led = this.step(hashes);
      const { device, seq, received_ms } = Object.assign(this.open, { link });
      this.open.shown = [this.open.shown?.[0] ?? seq, seq];
      const altered = !same(led, link);
      if (altered) this.fail("entry-altered", `entry ${name} was altered: it does not lead to its link`);
      const { head } = entry;
      const mine = head.seq === seq && head.machine === this.names.machine && head.mseq >= 0;
      if (mine && typeof head.mseq === "number") {
        this.counted(device, name, head, line.aside);
        this.timed(name, head, received_ms);
      } else {
        this.fail("entry-misplaced", `what stands in the place of ${name} is another entry, or about another machine`);
      }
      this.about.aside += "aside" in line ? 1 : 0;
      this.about.with_withheld += Object.keys(entry.withheld ?? {}).length > 0 ? 1 : 0;
      const row = { device: device.name, link: line.link, received_ms, seq };
      for (const field of ["aside", "off_s"]) if (field in line) row[field] = line[field];
      this.tree.push(leaf(utf8(canonical(row))));
      this.stamps.reached(this.tree, row, this.names.machine);
      this.seen("entry", { name, device: device.name, seq, received_ms, altered: altered || !mine, ...line });
    }
    /** Compares the device's running count of entries about the machine. */
    counted(device, name, head, aside) {
      const [before, last] = [device.mseq, device.seq];
      device.mseq = Math.max(before, head.mseq);
      device.seq = head.seq;
      if (aside === JUMPED) return;
      if (head.mseq > before + 1) {
        const since = last === 0 ? "the beginning" : `${device.mark}-${last}`;
        const missing = head.mseq - before - 1;
        const whose = `${missing} of ${device.mark}'s entries about this machine`;
        this.fail("entries-missing", `${whose} are missing between ${since} and ${name}`);
      } else if (head.mseq <= before) {
        this.fail("out-of-order", `${name} has a running count that came before`);
      }
    }
    /** Compares the time that an entry claims with its receipt. A head that cannot be read claims none. */
    timed(name, head, received_ms) {
      const at_s = readHead(head);
      if (at_s === void 0) return;
      if (this.span === void 0) [this.span, this.about.claimed] = [[at_s, at_s], [head.at, head.at]];
      if (at_s < this.span[0]) [this.span[0], this.about.claimed[0]] = [at_s, head.at];
      if (at_s > this.span[1]) [this.span[1], this.about.claimed[1]] = [at_s, head.at];
      const gap_s = Math.floor(received_ms / 1e3) - at_s;
      this.about.ahead += gap_s < 0 ? 1 : 0;
      if (this.about.longest_gap === null || gap_s > this.about.longest_gap[0]) this.about.longest_gap = [gap_s, name];
    }
    /** Ends the batch that is being read. */
    close() {
      const batch = this.open;
      this.open = void 0;
      if (batch === void 0) return;
      const { device, first, from, to } = batch;
      const { mark } = device;
      if (batch.seq < first) {
        this.fail("damaged-line", `the batch from ${mark}-${first} on has no entries`, batch.line);
      } else if (batch.seq < to) {
        const told = `${mark}-${batch.seq + 1} to ${mark}-${to} are missing at the end of their batch`;
        this.fail("entries-missing", told, batch.line);
      } else {
        const domain = utf8("pintle/seal/1\n");
        const message = joined(domain, this.organisation, device.id, eight(from), eight(to), batch.link);
        if (!device.own || !signed(device.key, message, batch.signature)) {
          const told = `the seal of ${mark} over ${mark}-${first} to ${mark}-${to} is not that device's`;
          this.fail("seal-false", told, batch.line);
        }
      }
      if (this.strayed === void 0 && !same(this.tree.root(), batch.root)) {
        const [start, until] = batch.shown ?? [first, to];
        const why = "an entry, its order, its time of receipt or its standing was changed here";
        const told = `the batch with ${mark}-${start} to ${mark}-${until} does not stand where it stood: ${why}`;
        this.strayed = { line: batch.line, told };
      }
    }
    end(end) {
      fields(end, ["entries", "lines"]);
      const [lines, entries] = [count(end.lines), count(end.entries)];
      this.close();
      if (lines !== this.lines || entries !== this.tree.size) {
        const found = `${this.lines} and ${this.tree.size}`;
        this.fail("file-cut", `the file should have ${lines} lines and ${entries} entries, and has ${found}`);
      }
      this.stage = "ended";
    }
    // --- The verdict ---------------------------------------------------------------------------------------------------
    /** The verdict, once all lines were looked at. */
    finish() {
      if (this.stage !== "ended" && this.stage !== "lost") {
        this.open = void 0;
        const last = this.devices.filter((one) => one.seq > 0).map((one) => `${one.mark}-${one.seq}`);
        const where = last.length > 0 ? `after ${last.join(", ")}` : "before any entry";
        this.fail("file-cut", `the file is cut off ${where}`);
      }
      this.about.entries = this.tree.size;
      if (this.shown !== void 0) this.compare(this.shown);
      this.failures.sort((one, other) => one.line - other.line);
      const standing = this.worst === "valid" && !this.pinned ? "cannot judge" : this.worst;
      return { standing, failures: this.failures, failures_more: this.more, ...this.about };
    }
    /** Compares what came with what the roll counts. */
    compare({ count: counted2, root }) {
      this.about.stamps = this.stamps.found;
      const found = this.tree.size;
      if (found < counted2) {
        const told = `${counted2 - found} of the machine's ${counted2} entries are missing in all`;
        this.fail("entries-missing", told);
      } else if (found > counted2) {
        this.fail("entries-added", `${found} entries are here, the checkpoint counts ${counted2}`);
      }
      if (this.failures.some((failure) => failure.code === "entries-missing")) return;
      if (this.strayed !== void 0) {
        this.fail("batch-altered", this.strayed.told, this.strayed.line);
      } else if (this.worst === "valid" && !same(this.tree.root(), root)) {
        this.fail("batch-altered", "the entries do not lead to the root that the roll says");
      } else {
        for (const { line, told } of this.stamps.unproved()) this.fail("stamp-false", told, line);
      }
    }
    damaged(detail) {
      const place = this.open === void 0 ? "" : `, where ${this.next()} should stand`;
      this.fail("damaged-line", `line ${this.lines} cannot be read${place}: ${detail}`);
    }
    fail(code, told, line = this.lines) {
      const worse = GENTLE[code] ?? "invalid";
      if (STANDINGS.indexOf(worse) > STANDINGS.indexOf(this.worst)) this.worst = worse;
      if (this.failures.length < FAILURES_MAX) this.failures.push({ code, line, told });
      else this.more += 1;
    }
  };
  function partHashes(entry) {
    if (!isObject(entry)) throw new Bad("not an entry");
    const withheld = entry.withheld ?? /* @__PURE__ */ Object.create(null);
    const strange = Object.keys(entry).find((name) => name !== "withheld" && !PARTS.includes(name));
    if (strange !== void 0 || entry.withheld === null || !isObject(withheld)) {
      throw new Bad("an entry has head, body, words, office and withheld only");
    }
    if (Object.keys(withheld).some((name) => name === "head" || !PARTS.includes(name) || name in entry)) {
      throw new Bad("a withheld part is body, words or office, and not also there");
    }
    const stated = Object.fromEntries(Object.entries(withheld).map(([name, spelled]) => [name, hash32(spelled)]));
    if (!("head" in entry) || !("body" in entry || "body" in stated)) throw new Bad("an entry has a head and a body");
    if (PARTS.some((name) => name in entry && !isObject(entry[name]))) throw new Bad("a part is an object");
    if (!(typeof entry.head.seq === "number" && entry.head.seq >= 1)) throw new Bad("seq is a whole number from 1");
    return PARTS.map((name) => name in entry ? hash(utf8(canonical(entry[name]))) : stated[name] ?? ZERO);
  }

  // main.js
  var TURN_MS = 40;
  async function check(file, pin, progress, stopped) {
    const story = new Story();
    const verifier = new Verifier(pin, (kind, value) => story.take(kind, value));
    let [done, began] = [0, performance.now()];
    for (const line of linesOf(file, (part) => done = part)) {
      verifier.line(line);
      if (performance.now() - began > TURN_MS) {
        progress(done);
        await new Promise((resolve) => setTimeout(resolve));
        if (stopped()) return void 0;
        began = performance.now();
      }
    }
    return { verdict: verifier.finish(), story };
  }
  var held = (name) => unbase64(document.getElementById(name).textContent.trim()) ?? new Uint8Array(0);
  function makersSummary(digest) {
    const bytes = held("summary");
    if (bytes.length === 0) return void 0;
    const summary = JSON.parse(new TextDecoder().decode(bytes));
    return summary.of === digest ? summary : void 0;
  }
  function begin() {
    const own = held("file");
    const words2 = JSON.parse(new TextDecoder().decode(held("words")));
    const show = new Show(document.getElementById("page"), words2);
    const state = { file: own, pin: void 0, run: 0, name: void 0 };
    async function run() {
      const mine = ++state.run;
      if (state.file.length === 0) return show.empty();
      show.working(0);
      const found = await check(state.file, state.pin, (part) => show.working(part), () => state.run !== mine);
      if (found === void 0) return;
      const digest = base64url(hash(state.file));
      show.all({ ...found, pin: state.pin, file: state.file, name: state.name, digest, hex: hex(hash(state.file)), summary: makersSummary(digest) });
    }
    show.onKey = (pin) => {
      state.pin = pin;
      run();
    };
    show.onFile = async (file) => {
      Object.assign(state, { file: new Uint8Array(await file.arrayBuffer()), name: file.name });
      run();
    };
    run();
  }
  if (globalThis.document) begin();
  return __toCommonJS(main_exports);
})();
