// Verifies a service history line by line, as docs/HISTORY-FORMAT.md says and in the words of `pintle verify`.
//
// Promises: the same verdict, codes, places and words as the program; memory for the devices, the right edge of one tree
// and the first hundred failures. After a failure it goes on, so that every place is named.
// Never trusts a key that the file brings: without one from elsewhere it never says more than "cannot judge".

import { ZERO, base64url, eight, hash, hash32, id, joined, same, signed, unbase } from "./bytes.js";
import { LINE_BYTES_MAX } from "./gzip.js";
import { Bad, canonical, count, fields, isObject, list, read, text, utf8, whole } from "./json.js";
import { readHead } from "./moment.js";
import { Stamps } from "./stamps.js";
import { LOG, Tree, included, judged, leaf, readCheckpoint, readNote, readWitness, rollRoot } from "./proof.js";

const VERSION_PLAIN = 1;
/** With lines of time stamps. */
const VERSION_STAMPED = 2;
const LINES_MAX = 10_000_000;
const FAILURES_MAX = 100;
const DEVICES_MAX = 10_000;
/** What each failure makes of a file; every other code makes it invalid. */
const GENTLE = { "entries-missing": "incomplete", "file-cut": "incomplete", "unknown-version": "cannot judge" };
/** From the best to the worst. */
const STANDINGS = ["valid", "cannot judge", "incomplete", "invalid"];
const TOP = ["history", "keys", "checkpoint"];
const BODY = ["device", "person", "batch", "entry", "other", "end"];
const PARTS = ["head", "body", "words", "office"];
/** Set aside by the server itself because the running count jumps. */
const JUMPED = "machine-sequence-gap";

export class Verifier {
  /** `pin` is the key to check with, 32 bytes, or undefined; `seen` is told what every readable line says. */
  constructor(pin, seen = () => {}) {
    Object.assign(this, { pin, seen, lines: 0, stage: "history", failures: [], more: 0, worst: "valid" });
    Object.assign(this, { tree: new Tree(), stamps: new Stamps(), devices: [], open: undefined, strayed: undefined, pinned: false });
    this.about = {
      organisation: "", machine: "", withheld: [], entries: 0, aside: 0, with_withheld: 0, devices: 0, claimed: null,
      longest_gap: null, ahead: 0, checkpoint_ms: null, witnesses: [], stamps: [], proved: null, signer: null,
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
    // Without its top nothing in a file has a meaning.
    if (TOP.includes(before) && this.stage === before) this.stage = "lost";
  }

  value(line) {
    const kind = isObject(line) ? [...TOP, "stamp", ...BODY].find((one) => one in line) : undefined;
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

  keys(keys) {
    const all = list(keys, (one) => {
      fields(one, ["epoch", "key"], ["proof"]);
      const proof = "proof" in one ? unbase(one.proof, 64) : undefined;
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
    if (this.signer === undefined) {
      this.fail("checkpoint-not-signed", "the file has no key");
    } else if (this.pin !== undefined && !all.some((one) => same(one.key, this.pin))) {
      this.fail("unknown-signer", "the file is signed by another key than the one it was to be checked with");
    } else {
      this.pinned = this.pin !== undefined;
      this.about.signer = base64url(this.signer.key);
    }
    this.seen("keys", keys);
  }

  vouched(before, after) {
    const domain = utf8("pintle/checkpoint-key/1\n");
    const message = joined(domain, this.organisation, eight(before.epoch), eight(after.epoch), after.key);
    return after.epoch > before.epoch && after.proof !== undefined && signed(before.key, message, after.proof);
  }

  checkpoint(shown) {
    fields(shown, ["note", "witnesses", "roll", "inclusion", "count", "root", "proof"]);
    fields(shown.roll, ["machines", "made_ms", "position", "root"]);
    [shown.roll.machines, shown.roll.position].forEach(count);
    const [roll, root] = [hash32(shown.roll.root), hash32(shown.root)];
    const [inclusion, proof] = [list(shown.inclusion, hash32), list(shown.proof, hash32)];
    const [note, witnesses] = [readNote(text(shown.note)), list(shown.witnesses, text)];
    const made_ms = whole(shown.roll.made_ms);
    const counted = count(shown.count);
    this.stage = this.stamped ? "stamp" : "body";
    if (this.signer === undefined) return;
    this.shown = { count: counted, root };
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
    const led = rollRoot(this.organisation, this.machine, counted, root, proof);
    if (led === undefined || !same(led, roll)) {
      const told = `the roll of machines does not say ${counted} entries with that root of this machine`;
      this.fail("count-not-proved", told);
    }
    if (note) witnesses.forEach((vkey) => this.witness(note, vkey));
    this.seen("checkpoint", shown);
  }

  stamp(shown) {
    const told = this.stamps.take(this.lines, this.epochs, shown);
    if (told !== undefined) this.fail("stamp-false", told);
    this.seen("stamp", shown);
  }

  /** The checkpoint in a note, if it is this log's and signed by its newest key. */
  opened(note) {
    const name = `pintle/${this.names.organisation}/${this.signer.epoch}`;
    const checkpoint = readCheckpoint(note.text);
    const good = checkpoint?.origin === name && judged(note, { name, kind: LOG, key: this.signer.key }, signed);
    return good ? checkpoint : undefined;
  }

  witness(note, vkey) {
    const signer = readWitness(vkey);
    const time = signer !== undefined && judged(note, signer, signed);
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
    const previous = "previous" in batch ? hash32(batch.previous) : undefined;
    const [signature, root] = [unbase(batch.signature, 64), hash32(batch.root)];
    const received_ms = whole(batch.received_ms);
    this.close();
    const device = this.devices[number];
    if (device === undefined) throw new Bad("a batch is of a device that the file does not name");
    const fit = first >= 1 && first <= to && from >= 1 && from <= to;
    if (!fit || (previous === undefined) !== (first === 1)) {
      throw new Bad("the numbers of a batch do not fit together");
    }
    const { mark } = device;
    if (first <= device.seq) {
      const told = `${mark}-${first} comes again or too late: ${mark}-${device.seq} came before it`;
      this.fail("out-of-order", told);
    }
    const link = previous ?? hash(utf8("pintle/log/1\n"), device.key);
    const place = { line: this.lines, seq: first - 1, shown: undefined };
    this.open = { device, from, to, first, signature, root, received_ms, link, ...place };
    this.seen("batch", batch);
  }

  /** The name of the entry that comes next, as people say it. */
  next() {
    return `${this.open.device.mark}-${this.open.seq + 1}`;
  }

  /** Steps to the next entry of the batch, which has these hashes of its parts; gives the link that it leads to. */
  step(hashes) {
    if (this.open === undefined) throw new Bad("an entry stands in no batch");
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
    if (at_s === undefined) return;
    if (this.span === undefined) [this.span, this.about.claimed] = [[at_s, at_s], [head.at, head.at]];
    if (at_s < this.span[0]) [this.span[0], this.about.claimed[0]] = [at_s, head.at];
    if (at_s > this.span[1]) [this.span[1], this.about.claimed[1]] = [at_s, head.at];
    const gap_s = Math.floor(received_ms / 1000) - at_s;
    this.about.ahead += gap_s < 0 ? 1 : 0;
    if (this.about.longest_gap === null || gap_s > this.about.longest_gap[0]) this.about.longest_gap = [gap_s, name];
  }

  /** Ends the batch that is being read. */
  close() {
    const batch = this.open;
    this.open = undefined;
    if (batch === undefined) return;
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
    if (this.strayed === undefined && !same(this.tree.root(), batch.root)) {
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
      // What is cut off in the middle cannot be held against its seal.
      this.open = undefined;
      const last = this.devices.filter((one) => one.seq > 0).map((one) => `${one.mark}-${one.seq}`);
      const where = last.length > 0 ? `after ${last.join(", ")}` : "before any entry";
      this.fail("file-cut", `the file is cut off ${where}`);
    }
    this.about.entries = this.tree.size;
    if (this.shown !== undefined) this.compare(this.shown);
    this.failures.sort((one, other) => one.line - other.line);
    const standing = this.worst === "valid" && !this.pinned ? "cannot judge" : this.worst;
    return { standing, failures: this.failures, failures_more: this.more, ...this.about };
  }

  /** Compares what came with what the roll counts. */
  compare({ count: counted, root }) {
    this.about.stamps = this.stamps.found;
    const found = this.tree.size;
    if (found < counted) {
      const told = `${counted - found} of the machine's ${counted} entries are missing in all`;
      this.fail("entries-missing", told);
    } else if (found > counted) {
      this.fail("entries-added", `${found} entries are here, the checkpoint counts ${counted}`);
    }
    // With an entry missing nothing after it leads to its root: that is told already.
    if (this.failures.some((failure) => failure.code === "entries-missing")) return;
    if (this.strayed !== undefined) {
      this.fail("batch-altered", this.strayed.told, this.strayed.line);
    } else if (this.worst === "valid" && !same(this.tree.root(), root)) {
      this.fail("batch-altered", "the entries do not lead to the root that the roll says");
    } else {
      for (const { line, told } of this.stamps.unproved()) this.fail("stamp-false", told, line);
    }
  }

  damaged(detail) {
    const place = this.open === undefined ? "" : `, where ${this.next()} should stand`;
    this.fail("damaged-line", `line ${this.lines} cannot be read${place}: ${detail}`);
  }

  fail(code, told, line = this.lines) {
    const worse = GENTLE[code] ?? "invalid";
    if (STANDINGS.indexOf(worse) > STANDINGS.indexOf(this.worst)) this.worst = worse;
    if (this.failures.length < FAILURES_MAX) this.failures.push({ code, line, told });
    else this.more += 1;
  }
}

/** The hashes of an entry's four parts, in the order of the chain. */
function partHashes(entry) {
  if (!isObject(entry)) throw new Bad("not an entry");
  const withheld = entry.withheld ?? Object.create(null);
  const strange = Object.keys(entry).find((name) => name !== "withheld" && !PARTS.includes(name));
  if (strange !== undefined || entry.withheld === null || !isObject(withheld)) {
    throw new Bad("an entry has head, body, words, office and withheld only");
  }
  if (Object.keys(withheld).some((name) => name === "head" || !PARTS.includes(name) || name in entry)) {
    throw new Bad("a withheld part is body, words or office, and not also there");
  }
  const stated = Object.fromEntries(Object.entries(withheld).map(([name, spelled]) => [name, hash32(spelled)]));
  if (!("head" in entry) || !("body" in entry || "body" in stated)) throw new Bad("an entry has a head and a body");
  if (PARTS.some((name) => name in entry && !isObject(entry[name]))) throw new Bad("a part is an object");
  if (!(typeof entry.head.seq === "number" && entry.head.seq >= 1)) throw new Bad("seq is a whole number from 1");
  return PARTS.map((name) => (name in entry ? hash(utf8(canonical(entry[name]))) : (stated[name] ?? ZERO)));
}
