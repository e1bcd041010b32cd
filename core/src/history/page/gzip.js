// The lines of a service-history file.
//
// Promises: one gzip member (RFC 1952); where it cannot be inflated any further it ends, and a line that is cut there is
// left out. Bounded memory: a line longer than a line may be is given cut, which the verifier refuses.

import { Inflate } from "fflate";

/** Longest line, in bytes (docs/HISTORY-FORMAT.md, section 2). */
export const LINE_BYTES_MAX = 256 * 1024;
/** How much is inflated at once, in bytes: whatever follows a damaged place within it is lost. */
const STEP_BYTES = 4096;

/** Gives each line of the file as bytes, without its line feed; `progress` is told how much is inflated, from 0 to 1. */
export function* linesOf(file, progress = () => {}) {
  const start = afterHeader(file);
  if (start === undefined) return;
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
    // Whatever follows the end is passed over; before the end one byte more is not enough, and that is an error.
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

/** Where the compressed data begin (RFC 1952 section 2.3); undefined if it is no such file. */
function afterHeader(file) {
  if (file.length < 10 || file[0] !== 0x1f || file[1] !== 0x8b || file[2] !== 8) return undefined;
  const flags = file[3];
  let at = 10;
  if (flags & 4) at += 2 + file[at] + 256 * file[at + 1];
  for (const flag of [8, 16]) {
    if (flags & flag) at = file.indexOf(0, at) + 1 || Infinity;
  }
  if (flags & 2) at += 2;
  return at < file.length ? at : undefined;
}
