// JSON as a service history has it: read strictly, and written in its canonical bytes (RFC 8785).
//
// Promises: a text has one value in every language or it is refused: whole numbers within ±(2^53−1) only, no key twice,
// no U+0000, no half characters, nesting of at most 64 (docs/HISTORY-FORMAT.md, section 2).
// Never: an object with a prototype, so that a key may have any name.

/** Something is not of the form that it must have. */
export class Bad extends Error {}

const DEPTH_MAX = 64;
const SPACE = /[ \t\n\r]*/y;
const STRING = /"[^"\\\u0000-\u001f]*(?:\\(?:["\\/bfnrt]|u[0-9a-fA-F]{4})[^"\\\u0000-\u001f]*)*"/y;
const NUMBER = /-?(?:0|[1-9][0-9]*)(?![0-9.eE])/y;
const WORDS = { true: true, false: false, null: null };
const WORD = /true|false|null/y;

const decoder = new TextDecoder("utf-8", { fatal: true, ignoreBOM: true });
const encoder = new TextEncoder();

/** The bytes of a text. */
export const utf8 = (text) => encoder.encode(text);

/** The value of one line, given as bytes. */
export function read(line) {
  let text;
  try {
    text = decoder.decode(line);
  } catch {
    throw new Bad("it is not UTF-8");
  }
  return new Reader(text).whole();
}

class Reader {
  constructor(text) {
    this.text = text;
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
    if (!pattern.test(this.text)) return undefined;
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
    if (word !== undefined) return WORDS[word];
    const digits = this.take(NUMBER);
    if (digits === undefined) throw new Bad(`no value, or a number that is not whole, at character ${this.at + 1}`);
    const number = Number(digits);
    if (digits === "-0" || !Number.isSafeInteger(number)) throw new Bad("a whole number must lie within ±(2^53−1)");
    return number;
  }

  string() {
    this.take(SPACE);
    const raw = this.take(STRING);
    if (raw === undefined) throw new Bad(`no text at character ${this.at + 1}`);
    if (!raw.includes("\\")) return raw.slice(1, -1);
    const text = JSON.parse(raw);
    // With the flag `u` a pair of surrogates is one character and only a half one is found.
    if (/[\0\ud800-\udfff]/u.test(text)) throw new Bad("a text with U+0000 or half a character");
    return text;
  }

  object(depth) {
    if (depth >= DEPTH_MAX) throw new Bad("nested too deep");
    const object = Object.create(null);
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
}

/** The canonical text of a value that `read` has let through: its UTF-8 is the canonical bytes. */
export function canonical(value) {
  if (Array.isArray(value)) return `[${value.map(canonical).join(",")}]`;
  if (isObject(value)) {
    // Without an argument JavaScript sorts by UTF-16 code units, as RFC 8785 demands, and escapes as it does.
    const keys = Object.keys(value).sort();
    return `{${keys.map((key) => `${JSON.stringify(key)}:${canonical(value[key])}`).join(",")}}`;
  }
  return JSON.stringify(value);
}

export const isObject = (value) => typeof value === "object" && value !== null && !Array.isArray(value);

/** An object with these fields and no others. */
export function fields(value, required, optional = []) {
  if (!isObject(value)) throw new Bad("not an object");
  const missing = required.find((key) => !(key in value));
  if (missing !== undefined) throw new Bad(`it has no ${JSON.stringify(missing)}`);
  const unknown = Object.keys(value).find((key) => !required.includes(key) && !optional.includes(key));
  if (unknown !== undefined) throw new Bad(`it must not have ${JSON.stringify(unknown)}`);
  return value;
}

export function text(value) {
  if (typeof value !== "string") throw new Bad("not a text");
  return value;
}

export function whole(value) {
  if (typeof value !== "number") throw new Bad("not a whole number");
  return value;
}

export function count(value) {
  if (whole(value) < 0) throw new Bad("a count is never less than nothing");
  return value;
}

export function list(value, of) {
  if (!Array.isArray(value)) throw new Bad("not a list");
  return value.map(of);
}
