// Times and heads of entries as docs/PROTOCOL.md writes them (sections 2 and 3).
//
// Promises: a time is read in its one form, RFC 3339 to the second with the place's offset, or not at all.
// Never: the clock of the machine that the page is read on.

import { id } from "./bytes.js";
import { count, isObject, text, whole } from "./json.js";

const FORM = /^(\d{4})-(\d\d)-(\d\d)T(\d\d):(\d\d):(\d\d)(?:Z|([+-])(\d\d):(\d\d))$/;

/** Seconds since 1970 of a written time, and the offset of its place in seconds; undefined if it is none. */
export function readMoment(written) {
  const match = FORM.exec(written);
  if (!match) return undefined;
  const [year, month, day, hour, minute, second] = match.slice(1, 7).map(Number);
  const date = new Date(Date.UTC(year, month - 1, day, hour, minute, second));
  const exact = date.toISOString().slice(0, 19) === written.slice(0, 19);
  const [hours, minutes] = [Number(match[8] ?? 0), Number(match[9] ?? 0)];
  const offset_s = (match[7] === "-" ? -1 : 1) * (hours * 3600 + minutes * 60);
  const at_s = date.getTime() / 1000 - offset_s;
  const within = year >= 1970 && year <= 9998 && at_s >= 0 && minutes <= 59 && Math.abs(offset_s) <= 14 * 3600;
  return exact && within ? { at_s, offset_s } : undefined;
}

/** The second since 1970 that an entry's head claims; undefined if the head breaks a rule of the log. */
export function readHead(head) {
  try {
    const moment = readMoment(text(head.at));
    for (const number of [head.v ?? 1, head.seq, head.mseq, head.seen]) count(number);
    id(head.machine);
    id(head.by);
    const seen = Object.entries(head.also_seen ?? {});
    seen.forEach(([device, seq]) => [id(device), count(seq)]);
    const { clock } = head;
    const boot = clock && text(clock.boot).length <= 16 && Number.isInteger(whole(clock.began_s));
    const wall = clock?.wall === undefined || readMoment(text(clock.wall)) !== undefined;
    const form = /^[a-z_]{1,64}$/.test(text(head.kind)) && (clock === undefined || (isObject(clock) && boot && wall));
    return moment && form ? moment.at_s : undefined;
  } catch {
    return undefined;
  }
}
