// Trees (RFC 9162 section 2.1), the roll of machines, and signed notes (C2SP signed-note, tlog-checkpoint,
// tlog-cosignature).
//
// Promises: a proof costs time for its own length only; a note is read in its one exact form.
// Never says what follows from a proof that does not hold: that is the verifier's.

import { eight, hash, joined, same, unbase64, hex } from "./bytes.js";
import { utf8 } from "./json.js";

const INCLUSION_HASHES_MAX = 63;
const ROLL_HASHES_MAX = 256;
const NOTE_BYTES_MAX = 64 * 1024;
const NOTE_LINES_MAX = 100;

const tag = (byte) => Uint8Array.of(byte);
export const leaf = (data) => hash(tag(0), data);
const node = (left, right) => hash(tag(1), left, right);

/** A tree that grows: the roots of its full parts, from the left. */
export class Tree {
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
}

/** Whether leaf `index` is in the tree of `size` leaves with that root; numbers are BigInt. */
export function included(leafHash, index, size, proof, root) {
  if (index >= size || size > BigInt(Number.MAX_SAFE_INTEGER) || proof.length > INCLUSION_HASHES_MAX) return false;
  let [place, last, joint] = [index, size - 1n, leafHash];
  for (const beside of proof) {
    if (last === 0n) return false;
    if (place & 1n || place === last) {
      joint = node(beside, joint);
      // At the right edge levels without a neighbour are passed over.
      while (!(place & 1n) && place !== 0n) [place, last] = [place >> 1n, last >> 1n];
    } else {
      joint = node(joint, beside);
    }
    [place, last] = [place >> 1n, last >> 1n];
  }
  return last === 0n && same(joint, root);
}

/** The hash of the roll in which this machine has that count and root. */
export function rollRoot(organisation, machine, count, root, proof) {
  if (proof.length > ROLL_HASHES_MAX) return undefined;
  const key = hash(utf8("pintle/machine/1\n"), organisation, machine);
  const bit = (depth) => (key[depth >> 3] >> (7 - (depth & 7))) & 1;
  return proof.reduce((joint, beside, at) => {
    const [left, right] = bit(proof.length - 1 - at) ? [beside, joint] : [joint, beside];
    return hash(tag(3), left, right);
  }, hash(tag(2), key, eight(count), root));
}

/** Text and signature lines of a signed note; undefined if it is not in its exact form. */
export function readNote(whole) {
  const split = whole.lastIndexOf("\n\n");
  const foreign = /[\0-\x09\x0b-\x1f\x7f-\x9f]/.test(whole);
  if (utf8(whole).length > NOTE_BYTES_MAX || foreign || split < 0 || !whole.slice(split + 2).endsWith("\n")) {
    return undefined;
  }
  const lines = whole.slice(split + 2, -1).split("\n").map(signatureLine);
  if (lines.length > NOTE_LINES_MAX || lines.includes(undefined)) return undefined;
  return { text: whole.slice(0, split + 1), lines };
}

function signatureLine(line) {
  const [dash, name, spelled, ...more] = line.split(" ");
  const data = spelled === undefined ? undefined : unbase64(spelled);
  if (dash !== "\u2014" || !usableName(name) || more.length > 0 || !(data?.length > 4)) return undefined;
  return { name, id: hex(data.subarray(0, 4)), signature: data.subarray(4) };
}

const usableName = (name) => /^[^\p{White_Space}\p{Cc}+]+$/u.test(name);

/** The kinds of key: a log signs the text, a witness a time and the text. */
export const LOG = 1;
export const WITNESS = 4;

const keyId = ({ name, kind, key }) => hex(hash(utf8(`${name}\n`), tag(kind), key).subarray(0, 4));

/** A verifier key `name+id+key` of a witness; undefined if it is not in its exact form. */
export function readWitness(vkey) {
  const [name, id, ...rest] = vkey.split("+");
  // The key's base64 may hold a plus itself.
  const data = unbase64(rest.join("+"));
  if (data?.length !== 33 || data[0] !== WITNESS || !usableName(name)) return undefined;
  const signer = { name, kind: WITNESS, key: data.subarray(1) };
  return keyId(signer) === id ? signer : undefined;
}

/**
 * What a note is worth under one key: false if it has no line of it or a false one, else true, or for a witness the time
 * in seconds since 1970 by its own clock, as BigInt.
 */
export function judged(note, signer, verify) {
  const id = keyId(signer);
  let found = false;
  for (const line of note.lines.filter((one) => one.name === signer.name && one.id === id)) {
    let [signature, message, worth] = [line.signature, utf8(note.text), true];
    if (signer.kind === WITNESS) {
      if (signature.length < 8) return false;
      worth = new DataView(signature.buffer, signature.byteOffset).getBigUint64(0);
      message = joined(utf8(`cosignature/v1\ntime ${worth}\n`), message);
      signature = signature.subarray(8);
    }
    if (signature.length !== 64 || !verify(signer.key, message, signature)) return false;
    found = worth;
  }
  return found;
}

/** What the text of a checkpoint says; undefined if it is none. Lines after the root are passed over. */
export function readCheckpoint(noteText) {
  const match = /^([^\n]+)\n(0|[1-9][0-9]{0,19})\n([A-Za-z0-9+/=]+)\n(?:[^\n]+\n)*$/.exec(noteText);
  const root = match ? unbase64(match[3]) : undefined;
  if (root?.length !== 32 || BigInt(match[2]) >= 2n ** 64n) return undefined;
  return { origin: match[1], size: BigInt(match[2]), root };
}
