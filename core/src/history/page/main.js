// The page of a service history: takes the file that it holds, or one that is dropped on it, checks it and shows it.
//
// Promises: checking never blocks the screen for long, and begins anew when another key is given. What is shown comes
// from the file that was checked.
// Never the network: the page's policy allows none, and nothing here asks for it.

import { unbase64, hash, base64url, hex } from "./bytes.js";
import { linesOf } from "./gzip.js";
import { Show } from "./show.js";
import { Story } from "./story.js";
import { Verifier } from "./verify.js";

export { linesOf, Verifier, Story };
export { signed } from "./bytes.js";

/** How long the page works before it lets the screen have its turn, in milliseconds. */
const TURN_MS = 40;

/** Verdict and story of a file; `progress` is told how far it is, from 0 to 1. Ends early where `stopped` says so. */
export async function check(file, pin, progress, stopped) {
  const story = new Story();
  const verifier = new Verifier(pin, (kind, value) => story.take(kind, value));
  let [done, began] = [0, performance.now()];
  for (const line of linesOf(file, (part) => (done = part))) {
    verifier.line(line);
    if (performance.now() - began > TURN_MS) {
      progress(done);
      await new Promise((resolve) => setTimeout(resolve));
      if (stopped()) return undefined;
      began = performance.now();
    }
  }
  return { verdict: verifier.finish(), story };
}

const held = (name) => unbase64(document.getElementById(name).textContent.trim()) ?? new Uint8Array(0);

/** What the maker of the page computed from its file; for another file there is none. */
function makersSummary(digest) {
  const bytes = held("summary");
  if (bytes.length === 0) return undefined;
  const summary = JSON.parse(new TextDecoder().decode(bytes));
  return summary.of === digest ? summary : undefined;
}

function begin() {
  const own = held("file");
  const words = JSON.parse(new TextDecoder().decode(held("words")));
  const show = new Show(document.getElementById("page"), words);
  const state = { file: own, pin: undefined, run: 0, name: undefined };

  async function run() {
    const mine = ++state.run;
    if (state.file.length === 0) return show.empty();
    show.working(0);
    const found = await check(state.file, state.pin, (part) => show.working(part), () => state.run !== mine);
    if (found === undefined) return;
    const digest = base64url(hash(state.file));
    show.all({ ...found, pin: state.pin, file: state.file, name: state.name, digest, hex: hex(hash(state.file)), summary: makersSummary(digest) });
  }

  show.onKey = (pin) => {
    state.pin = pin;
    run();
  };
  show.onFile = async (file) => {
    Object.assign(state, { file: new Uint8Array(await file.arrayBuffer()), name: file.name });
    run();
  };
  run();
}

if (globalThis.document) begin();
