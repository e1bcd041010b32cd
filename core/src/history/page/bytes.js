// Hashes, signatures and the spellings of bytes.
//
// Promises: SHA-256 and the arithmetic of Ed25519 are those of the libraries; a signature is judged as RFC 8032 writes it,
// without the cofactor, and keys or points of small order are refused, so that every verifier of the form agrees.
// Never signs; no secret ever comes here.

import { Point } from "@noble/ed25519";
import { sha256, sha512 } from "@noble/hashes/sha2.js";
import { Bad, text } from "./json.js";

/** The order of Ed25519's group (RFC 8032 section 5.1). */
const ORDER = 2n ** 252n + 27742317777372353535851937790883648493n;

export const ZERO = new Uint8Array(32);

export function joined(...pieces) {
  const all = new Uint8Array(pieces.reduce((length, piece) => length + piece.length, 0));
  let at = 0;
  for (const piece of pieces) {
    all.set(piece, at);
    at += piece.length;
  }
  return all;
}

/** SHA-256 over pieces put one after the other. */
export const hash = (...pieces) => sha256(joined(...pieces));

/** A number as 8 bytes, big-endian. */
export function eight(number) {
  const bytes = new Uint8Array(8);
  new DataView(bytes.buffer).setBigUint64(0, BigInt(number));
  return bytes;
}

export function same(one, other) {
  return one.length === other.length && one.every((byte, at) => byte === other[at]);
}

export const hex = (bytes) => Array.from(bytes, (byte) => byte.toString(16).padStart(2, "0")).join("");

const toBytes = (binary) => Uint8Array.from(binary, (character) => character.charCodeAt(0));

/** Bytes in base64 with padding; undefined unless in their only exact spelling. */
export function unbase64(spelled) {
  if (!/^[A-Za-z0-9+/]*={0,2}$/.test(spelled)) return undefined;
  try {
    const binary = atob(spelled);
    return btoa(binary) === spelled ? toBytes(binary) : undefined;
  } catch {
    return undefined;
  }
}

export const base64 = (bytes) => btoa(String.fromCharCode(...bytes));
export const base64url = (bytes) => base64(bytes).replaceAll("+", "-").replaceAll("/", "_").replace(/=+$/, "");

/** Bytes in base64url without padding; undefined unless in their only exact spelling. */
export function unbaseAny(spelled) {
  const padded = spelled.replaceAll("-", "+").replaceAll("_", "/") + "=".repeat((4 - (spelled.length % 4)) % 4);
  return /^[A-Za-z0-9_-]*$/.test(spelled) ? unbase64(padded) : undefined;
}

/** So many bytes in base64url without padding, in their only exact spelling. */
export function unbase(value, length) {
  const bytes = unbaseAny(text(value));
  if (bytes?.length !== length) throw new Bad(`not ${length} bytes in their exact spelling`);
  return bytes;
}

export const id = (value) => unbase(value, 16);
export const hash32 = (value) => unbase(value, 32);

const littleEndian = (bytes) => BigInt(`0x${hex(Uint8Array.from(bytes).reverse())}`);

/** Keys that were looked at, by their spelling: a file has few, and each signs often. */
const keys = new Map();

/** A key's multiples; undefined if it is no point of the curve, or one of small order. */
function multiplesOf(key) {
  const name = hex(key);
  if (!keys.has(name)) {
    let multiples;
    try {
      const point = Point.fromBytes(key);
      if (!point.isSmallOrder()) multiples = new Multiples(point);
    } catch {
      // Not a point of the curve.
    }
    keys.set(name, multiples);
  }
  return keys.get(name);
}

/**
 * A point times any number below 2^256: the number is taken four bits at a time, and what each four stand for is worked
 * out once. A device seals thousands of batches with one key; so each costs 64 additions and no doubling.
 */
class Multiples {
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
}

/** Whether a signature over a message is the key's: R = [s]B − [k]A, byte for byte. */
export function signed(key, message, signature) {
  const multiples = multiplesOf(key);
  const [r, s] = [signature.subarray(0, 32), littleEndian(signature.subarray(32))];
  if (multiples === undefined || s >= ORDER) return false;
  const k = littleEndian(sha512(joined(r, key, message))) % ORDER;
  const expected = Point.BASE.multiply(s, false).add(multiples.times(k).negate());
  return same(expected.toBytes(), r) && !expected.isSmallOrder();
}
