// Time stamps in a history: whether each is about this file's first entries.
//
// Promises: a stamp is told only once the machine's last entry under it was found in the tree that it says was stamped.
// Never judges a token, which takes certificates from elsewhere: what a stamp states is told as a claim.

import { base64url, hash32, unbaseAny } from "./bytes.js";
import { Bad, canonical, count, fields, list, text, utf8, whole } from "./json.js";
import { included, leaf } from "./proof.js";

const STAMPS_MAX = 260;
const TOKEN_BYTES_MAX = 64 * 1024;

const named = (shown) => `the time stamp over the first ${shown.count} entries`;

export class Stamps {
  constructor() {
    Object.assign(this, { all: [], done: 0, found: [], strangers: [] });
  }

  /** Takes the line of a stamp; gives what is told of it if it is false. */
  take(line, epochs, shown) {
    fields(shown, [
      "epoch", "size", "root", "count", "position", "index", "inclusion", "authority", "at_s", "token",
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
    if (token === undefined || token.length === 0 || token.length > TOKEN_BYTES_MAX) {
      throw new Bad("what should be a time stamp's token is none");
    }
    const known = epochs.includes(shown.epoch);
    this.all.push({ line, shown, root, inclusion, known });
    return known ? undefined : `${named(shown)} is false: it is of an epoch that the file has no key of`;
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
}
