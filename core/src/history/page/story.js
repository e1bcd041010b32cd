// What the entries of a history say, gathered for people.
//
// Promises: only what follows from the entries by counting, adding and ordering; what takes the rules of the domain (how a
// plan was kept, who ran the machine how long) is not computed here, see docs/decisions/0034. Every entry counts in one
// place at least: what is struck, set aside, altered or odd is listed as doubtful, never left out.
// Never decides which of two people is right: the latest correction is shown, and that there was one.

import { hex, unbaseAny } from "./bytes.js";
import { readMoment } from "./moment.js";

/** An entry received so long after the time it claims is listed as late to arrive: 30 days, a month offline. */
const LATE_S = 30 * 86_400;

/** Any value of a file as a text: a file may have anything anywhere, and nothing of it stops the page. */
export const said = (value) => (typeof value === "string" ? value : value === undefined ? "" : JSON.stringify(value));

/** A list, or an empty one where something else stands. */
export const listed = (value) => (Array.isArray(value) ? value : []);

/** A decimal text in thousandths, as whole number; undefined if it is none. */
export function milli(written) {
  const match = /^(\d{1,7})(?:\.(\d{1,3}))?$/.exec(typeof written === "string" ? written : "");
  return match ? Number(match[1]) * 1000 + Number((match[2] ?? "").padEnd(3, "0")) : undefined;
}

/** Thousandths as a decimal text. */
export function decimal(thousandths) {
  const [sign, size] = [thousandths < 0 ? "−" : "", Math.abs(thousandths)];
  const rest = String(size % 1000).padStart(3, "0").replace(/0+$/, "");
  return `${sign}${Math.floor(size / 1000)}${rest ? `.${rest}` : ""}`;
}

/** By the time claimed, then by device and number, as the book has them. */
const inOrder = (a, b) =>
  (a.at_s ?? 0) - (b.at_s ?? 0) || (a.device < b.device ? -1 : a.device > b.device ? 1 : a.seq - b.seq);

const nameOf = (device, seq) => `${device}:${seq}`;

/** Takes what a verifier has seen, line by line. */
export class Story {
  constructor() {
    Object.assign(this, { top: undefined, keys: [], checkpoint: undefined, marks: new Map(), people: new Map() });
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
      machine, meters, entries: ordered, plan: of("plan_set").at(-1),
      services: services(of("task_done")), findings: findings(of, find), repairs: of("repair_done"),
      materials: materials(of("task_done", "repair_done")), fuel: of("fuel_filled"), changes: of("meter_changed"),
      notes: of("note_left"), hands: tally(counting), doubtful: doubtful(ordered, meters),
    };
  }

  /** How people are named: by name, or by number where names are withheld or not given. */
  person(id) {
    if (!this.people.has(id)) {
      this.unnamed ??= new Map();
      if (!this.unnamed.has(id)) this.unnamed.set(id, `person ${this.unnamed.size + 1}`);
    }
    return this.people.get(id) ?? this.unnamed.get(id);
  }
}

/** One entry, with its own values where a correction may put others. */
function record({ name, device, seq, received_ms, altered, entry, aside, off_s }) {
  const { head } = entry;
  const at = typeof head.at === "string" ? head.at : "";
  const body = { ...entry.body };
  const moment = readMoment(at);
  return {
    name, device, seq, received_ms, altered, aside, off_s, at, body, at_s: moment?.at_s, by: head.by,
    kind: said(head.kind), text: typeof entry.words?.text === "string" ? entry.words.text : undefined,
    files: files(entry.words), withheld: Object.keys(entry.withheld ?? {}), odd: [], corrections: [],
  };
}

/** The photos and documents that an entry names, in words; what is not of their form is left to the program. */
function files(words) {
  const named = Array.isArray(words?.files) ? words.files : [];
  const whole = (file) => typeof file?.name === "string" && typeof file.bytes === "number" && typeof file.sha256 === "string";
  return named.filter(whole).map(({ name, bytes, sha256 }) => {
    const hash = unbaseAny(sha256);
    return `photo ${name}, ${bytes} bytes, SHA-256 ${hash === undefined ? sha256 : hex(hash)}`;
  });
}

/** Applies strikes, releases and corrections in order of the time claimed. */
function amend(entries, find) {
  const amending = entries.filter((entry) => ["corrected", "struck", "released"].includes(entry.kind) && !entry.aside);
  amending.sort(inOrder);
  for (const by of amending) {
    const target = find(by.body.target);
    if (target === undefined) {
      by.odd.push("it is about an entry that is not in this file");
    } else if (by.kind === "struck") {
      target.struck = by;
    } else if (by.kind === "released") {
      target.released = target.aside;
      target.aside = undefined;
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
  if (place === undefined || deeper.length > 0) {
    by.odd.push(`it corrects ${said(field)}, which is shown here uncorrected`);
    return;
  }
  const holder = part === "body" ? target.body : target;
  target.corrections.push({ by, field: key, before: holder[place] });
  if (value === null) delete holder[place];
  else holder[place] = value;
  if (place === "at") target.at_s = readMoment(said(value))?.at_s;
}

const machineMeter = (of) => said(of("machine_added").at(-1)?.body.meter_kind ?? "hours");

/** Readings of each meter in order of time, the machine's first meter first, with what it had run in all. */
function readings(of, first) {
  const meters = new Map([[first, { meter: first, points: [], added: 0, highest: undefined }]]);
  const kinds = "meter_read shift_begun shift_ended fuel_filled task_done finding_raised repair_done meter_changed";
  for (const entry of of(...kinds.split(" "))) {
    const name = said(entry.body.meter ?? first);
    if (!meters.has(name)) meters.set(name, { meter: name, points: [], added: 0, highest: undefined });
    const meter = meters.get(name);
    const changed = entry.kind === "meter_changed";
    const shown = milli(changed ? entry.body.old_reading : entry.body.reading);
    if (shown === undefined || entry.at_s === undefined) continue;
    const life = shown + meter.added;
    const falls = meter.highest !== undefined && life < meter.highest.life;
    const point = { entry, shown, life, at_s: entry.at_s, falls, source: entry.body.source };
    meter.points.push(point);
    if (!falls) meter.highest = point;
    if (changed) meter.added = life - (milli(entry.body.new_reading) ?? 0);
  }
  return [...meters.values()].filter((meter) => meter.points.length > 0 || meter.meter === first);
}

/** Each task with the times it was done, and the units of the meter between one and the next as they were shown. */
function services(done) {
  const tasks = new Map();
  for (const entry of done) {
    const task = said(entry.body.task);
    if (!tasks.has(task)) tasks.set(task, { task, rows: [], last: undefined });
    const known = tasks.get(task);
    const reading = milli(entry.body.reading);
    const since = reading !== undefined && known.last !== undefined ? reading - known.last : undefined;
    known.rows.push({ entry, reading, since });
    known.last = reading ?? known.last;
  }
  return [...tasks.values()].sort((a, b) => b.rows.length - a.rows.length);
}

/** Findings, each with what ended it. */
function findings(of, find) {
  const ends = new Map();
  for (const entry of of("repair_done", "finding_cleared")) {
    const closed = entry.kind === "repair_done" ? entry.body.closes : [entry.body.finding];
    for (const target of listed(closed)) {
      const finding = find(target);
      if (finding !== undefined && !ends.has(finding)) ends.set(finding, entry);
    }
  }
  return of("finding_raised").map((entry) => ({ entry, end: ends.get(entry) }));
}

/** Parts, fluids and materials by name and unit, with how much in all where each has an amount. */
function materials(entries) {
  const rows = new Map();
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
      row.without += amount === undefined ? 1 : 0;
      row.entries.push(entry);
    }
  }
  return [...rows.values()].sort((a, b) => b.times - a.times);
}

/** How many entries each person recorded. */
function tally(entries) {
  const people = new Map();
  entries.forEach((entry) => people.set(entry.by, (people.get(entry.by) ?? 0) + 1));
  return [...people].map(([person, count]) => ({ person, count })).sort((a, b) => b.count - a.count);
}

/** Why a reader should look twice at an entry: each reason, in order of time. */
function doubtful(entries, meters) {
  const falls = new Map(meters.flatMap((meter) => meter.points.filter((p) => p.falls).map((p) => [p.entry, meter.meter])));
  const points = [];
  for (const entry of entries) {
    const add = (why) => points.push({ entry, why });
    if (entry.altered) add("altered, or not the entry that stood here: see the result of the check");
    if (entry.aside) add(`set aside by the server (${entry.aside}): kept, not counted`);
    if (entry.released) add(`had been set aside (${entry.released}); the office let it count`);
    if (entry.struck) add(`struck by ${entry.struck.name}${entry.struck.text ? `: ${entry.struck.text}` : ""}`);
    for (const { by, field, before } of entry.corrections) {
      add(`${field} was ${before === undefined ? "not given" : JSON.stringify(before)}; corrected by ${by.name}`);
    }
    if (falls.has(entry)) add(`a reading below an earlier one of the same meter (${falls.get(entry)})`);
    if (entry.off_s !== undefined) add(`the device's clock was ${span(Math.abs(entry.off_s))} ${entry.off_s > 0 ? "ahead" : "behind"}`);
    if (entry.at_s === undefined) add("its time cannot be read");
    const gap_s = entry.at_s === undefined ? 0 : Math.floor(entry.received_ms / 1000) - entry.at_s;
    if (gap_s < 0) add(`claims a time ${span(-gap_s)} after the server had it`);
    if (gap_s > LATE_S) add(`the server had it only ${span(gap_s)} after the time it claims`);
    entry.odd.forEach(add);
  }
  return points;
}

/** A length of time in words. */
export function span(seconds) {
  const [minutes, hours, days] = [60, 3600, 86_400].map((unit) => Math.floor(seconds / unit));
  if (days >= 2) return `${days} days`;
  if (hours >= 1) return `${hours} h ${Math.floor((seconds % 3600) / 60)} min`;
  return minutes >= 1 ? `${minutes} min` : `${seconds} s`;
}
