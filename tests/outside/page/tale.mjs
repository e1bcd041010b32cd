// What the script of the page counts in a service history, outside a browser: `node tale.mjs FILE` prints it as one line of JSON.
//
// Promises: it is the very script that stands in each page. Needs Node and nothing else.

import { readFileSync } from "node:fs";
import { runInThisContext } from "node:vm";

const bundle = new URL("../../../core/src/history/page/bundle.js", import.meta.url);
const page = runInThisContext(`${readFileSync(bundle, "utf8")};pintlePage`);

const story = new page.Story();
const verifier = new page.Verifier(undefined, (kind, value) => story.take(kind, value));
for (const line of page.linesOf(new Uint8Array(readFileSync(process.argv[2])))) verifier.line(line);
verifier.finish();
const tale = story.told();

const decimal = (milli) => String(milli / 1000);
const thousandths = (written) => Math.round(Number(written) * 1000);
const litres = tale.fuel.reduce((sum, entry) => sum + thousandths(entry.body.litres), 0);
const highest = tale.meters[0]?.highest;
const told = {
  services: Object.fromEntries(tale.services.map(({ task, rows }) => [task, rows.length])),
  open: tale.findings.filter((finding) => !finding.end).length,
  findings: tale.findings.length,
  repairs: tale.repairs.length,
  changes: tale.changes.length,
  entries: tale.entries.length,
  hands: tale.hands.map(({ count }) => count).sort((a, b) => a - b),
  fuel: [tale.fuel.length, decimal(litres)],
  materials: Object.fromEntries(tale.materials.map(({ name, unit, times, total }) => [`${name} ${unit}`, [times, decimal(total)]])),
  life: highest && decimal(highest.life),
  struck: tale.entries.filter((entry) => entry.struck).map((entry) => entry.name).sort(),
};
process.stdout.write(`${JSON.stringify(told)}\n`);
