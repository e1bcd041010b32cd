// Judges service histories with the script of the page, outside a browser: for each line {"path", "key"} on standard input
// it prints the verdict as one line of JSON.
//
// Promises: it is the very script that stands in each page. Needs Node and nothing else.

import { readFileSync } from "node:fs";
import { createInterface } from "node:readline";
import { runInThisContext } from "node:vm";

const bundle = new URL("../../../core/src/history/page/bundle.js", import.meta.url);
const page = runInThisContext(`${readFileSync(bundle, "utf8")};pintlePage`);

const bytes = (spelled) => new Uint8Array(Buffer.from(spelled, "base64url"));

export function judge(file, key) {
  const verifier = new page.Verifier(key ? bytes(key) : undefined);
  for (const line of page.linesOf(file)) verifier.line(line);
  return verifier.finish();
}

for await (const asked of createInterface({ input: process.stdin })) {
  const { path, key, vector } = JSON.parse(asked);
  const answer = vector ? page.signed(...vector.map(bytes)) : judge(new Uint8Array(readFileSync(path)), key);
  process.stdout.write(`${JSON.stringify(answer)}\n`);
}
