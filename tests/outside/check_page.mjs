// The page of a service history, as a reader meets it: in a browser, without network.
//
//     node tests/outside/check_page.mjs [FOLDER]      with FOLDER it leaves screenshots and prints there
//
// Holds it to: its script is what its sources and the pinned libraries give; signatures are judged as core judges them;
// its verdict, codes and words are those of `pintle verify`; nothing is asked of any network; what a file says is never
// markup; it fits a phone; texts have the contrast of WCAG 2.1 AA; it prints. Needs Node, npm's packages (see
// tests/outside/page/package.json) and Chromium.

import { execFileSync, spawnSync } from "node:child_process";
import { copyFileSync, existsSync, mkdirSync, mkdtempSync, readFileSync, rmSync, writeFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { fileURLToPath } from "node:url";
import { gzipSync } from "node:zlib";
import { runInThisContext } from "node:vm";

const here = fileURLToPath(new URL(".", import.meta.url));
const binaries = process.env.PINTLE_TEST_BINARIES ?? join(here, "../../target/debug");
const keep = process.argv[2];
const folder = mkdtempSync(join(tmpdir(), "pintle-page-"));
const wrong = [];
let checks = 0;

function expect(good, told) {
  checks += 1;
  if (!good) wrong.push(told);
}

const run = (program, ...args) => execFileSync(join(binaries, program), args, { maxBuffer: 1 << 28, encoding: "utf8" });

// --- Signatures -------------------------------------------------------------------------------------------------------

/** Cases beside Wycheproof's: keys and points with a part of small order, which libraries judge differently. */
async function mixedCases() {
  const { Point } = await import("./page/node_modules/@noble/ed25519/index.js");
  const { sha512 } = await import("./page/node_modules/@noble/hashes/sha2.js");
  const order = 2n ** 252n + 27742317777372353535851937790883648493n;
  const number = (bytes) => BigInt(`0x${Buffer.from(bytes).reverse().toString("hex")}`);
  const little = (value) => Buffer.from(value.toString(16).padStart(64, "0"), "hex").reverse();
  // A point of order 8 (canonical encoding, as in tests/it/signatures.rs); its multiples are all of small order.
  const eighth = Point.fromHex("26e8958fc2b227b045c3f489f2ef98f0d5dfac05d3c63339b13802886d53fc05");
  const torsion = [Point.ZERO];
  for (let n = 1; n < 8; n += 1) torsion.push(torsion[n - 1].add(eighth));
  const cases = [];
  for (const [a, inKey] of torsion.entries()) {
    for (const [b, inPoint] of torsion.entries()) {
      const [secret, nonce, message] = [1234567n + BigInt(a), 7654321n + BigInt(b), Buffer.from(`case ${a} ${b}`)];
      const key = Buffer.from(Point.BASE.multiply(secret).add(inKey).toBytes());
      const r = Buffer.from(Point.BASE.multiply(nonce).add(inPoint).toBytes());
      const k = number(sha512(Buffer.concat([r, key, message]))) % order;
      const s = (nonce + k * secret) % order;
      cases.push([key, message, Buffer.concat([r, little(s)])]);
      cases.push([key, message, Buffer.concat([r, little(s + order)])]);
      cases.push([Buffer.from(inKey.toBytes()), message, Buffer.concat([Buffer.from(inPoint.toBytes()), little(0n)])]);
    }
  }
  const hex = (bytes) => (bytes.length === 0 ? "-" : bytes.toString("hex"));
  return cases.map((one) => `${one.map(hex).join(" ")}\n`).join("");
}

async function signatures() {
  const script = readFileSync(join(here, "../../core/src/history/page/bundle.js"), "utf8");
  const page = runInThisContext(`${script};pintlePage`);
  const bytes = (hex) => new Uint8Array(Buffer.from(hex === "-" ? "" : hex, "hex"));
  const mixed = spawnSync(join(binaries, "signature_lines"), { input: await mixedCases(), encoding: "utf8" }).stdout;
  const seen = { good: 0, bad: 0 };
  for (const line of `${run("signature_lines", "--wycheproof")}${mixed}`.trim().split("\n")) {
    const [key, message, signature, judged] = line.split(" ");
    // Other lengths never reach the verifier's judge: a field that is not of its length is a damaged line.
    if (signature.length !== 128) continue;
    seen[judged] += 1;
    const good = page.signed(bytes(key), bytes(message), bytes(signature));
    expect(good === (judged === "good"), `core finds it ${judged}, the page does not: ${line}`);
  }
  expect(seen.good > 60 && seen.bad > 100, `too few signatures were judged: ${JSON.stringify(seen)}`);
}

// --- The page in a browser --------------------------------------------------------------------------------------------

const KEY_OF_NOBODY = Buffer.from([...Array(31).fill(0), 7]).toString("base64url");

function written(name, lines) {
  const path = join(folder, name);
  writeFileSync(path, gzipSync(lines.map((line) => `${line}\n`).join("")));
  return path;
}

async function opened(page, url) {
  await page.goto(url);
  await page.waitForFunction(() => document.querySelector("#check").dataset.checks === "1");
  return verdictOf(page);
}

/** What the program says of a file. */
function program(path, key) {
  const ran = spawnSync(join(binaries, "pintle"), ["--home", join(folder, "none"), "verify", path, "--json", ...(key ? ["--key", key] : [])], { encoding: "utf8" });
  return JSON.parse(ran.stdout);
}

/** What the page shows once one check more has come to its end after something was done. */
async function shown(page, act = () => {}) {
  const before = Number((await page.getAttribute("#check", "data-checks")) ?? 0);
  await act();
  await page.waitForFunction((n) => Number(document.querySelector("#check").dataset.checks) > n, before);
  return verdictOf(page);
}

function verdictOf(page) {
  return page.evaluate(() => ({
    word: document.querySelector("#check .word").textContent,
    failures: [...document.querySelectorAll("#check .failures li")].map((one) => one.textContent),
  }));
}

function compare(name, page, verdict) {
  expect(page.word.includes(verdict.standing.toUpperCase()), `${name}: the page says ${page.word}, the program ${verdict.standing}`);
  const words = (told) => (told.includes(" cannot be read") ? told.split(":")[0] : told);
  const told = verdict.failures.map((one) => words(`${one.told} (line ${one.line}, ${one.code})`));
  expect(JSON.stringify(page.failures.map(words)) === JSON.stringify(told), `${name}: ${JSON.stringify(page.failures)} is not ${JSON.stringify(told)}`);
}

async function withKey(page, key) {
  await page.fill("#key", key);
  return shown(page, () => page.press("#key", "Enter"));
}

async function withFile(page, path) {
  return shown(page, () => page.setInputFiles("#other", path));
}

/** Contrast of every visible text with what lies behind it (WCAG 2.1, 1.4.3); the worst below its minimum. */
const contrast = () => {
  const rgb = (text) => (text.match(/[\d.]+/g) ?? []).map(Number);
  const light = ([r, g, b]) => {
    const part = (value) => (value / 255 <= 0.04045 ? value / 255 / 12.92 : ((value / 255 + 0.055) / 1.055) ** 2.4);
    return 0.2126 * part(r) + 0.7152 * part(g) + 0.0722 * part(b);
  };
  const behind = (node) => {
    for (let at = node; at; at = at.parentElement) {
      const colour = rgb(getComputedStyle(at).backgroundColor);
      if (colour.length === 3 || colour[3] === 1) return colour;
    }
    return [255, 255, 255];
  };
  const poor = [];
  let seen = 0;
  for (const node of document.querySelectorAll("main *, main svg text")) {
    const own = [...node.childNodes].some((child) => child.nodeType === 3 && child.data.trim() !== "");
    if (!own || node.getClientRects().length === 0) continue;
    seen += 1;
    const style = getComputedStyle(node);
    const [a, b] = [light(rgb(node instanceof SVGElement ? style.fill : style.color)), light(behind(node))];
    const ratio = (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05);
    if (ratio < 4.5) poor.push(`${ratio.toFixed(2)} ${node.tagName} ${node.textContent.slice(0, 40)}`);
  }
  return { seen, poor: poor.slice(0, 5) };
};

async function looks(browser, url, key) {
  for (const [place, width, height] of [["phone", 360, 740], ["desk", 1280, 900]]) {
    for (const colorScheme of ["light", "dark"]) {
      const page = await watched(browser, { viewport: { width, height }, colorScheme });
      const name = `${place} ${colorScheme}`;
      const first = await opened(page, url);
      for (const [given, standing] of [[undefined, "CANNOT JUDGE"], [KEY_OF_NOBODY, "INVALID"], [key, "VALID"]]) {
        const seen = given ? await withKey(page, given) : first;
        expect(seen.word.includes(standing), `${name}: ${seen.word} is not ${standing}`);
        const { seen: texts, poor } = await page.evaluate(contrast);
        expect(texts > 50 && poor.length === 0, `${name}, ${standing}: ${texts} texts, too little contrast: ${poor.join("; ")}`);
      }
      const wide = await page.evaluate(() => document.documentElement.scrollWidth - document.documentElement.clientWidth);
      expect(wide <= 0, `${name}: it is ${wide} pixels wider than the screen`);
      if (keep) await page.screenshot({ path: join(keep, `page-${place}-${colorScheme}.png`), fullPage: true });
      await page.close();
    }
  }
}

/** A page of the browser that tells of everything that must not happen. */
async function watched(browser, options) {
  const page = await browser.newPage(options);
  page.on("request", (request) => {
    const own = request.url().startsWith("file:") || request.url().startsWith("blob:");
    expect(own, `the page asks for ${request.url()}`);
  });
  page.on("dialog", (dialog) => expect(false, `a text of the file ran: ${dialog.message()}`));
  page.on("pageerror", (error) => expect(false, `an error in the page: ${error.message}`));
  page.on("console", (message) => expect(message.type() !== "error", `the browser complains: ${message.text()}`));
  return page;
}

async function reads(browser, url, lines, key) {
  const page = await watched(browser, { viewport: { width: 1280, height: 900 } });
  await opened(page, url);
  const told = await page.evaluate(() => ({
    headings: [...document.querySelectorAll("h1, h2")].map((one) => one.textContent),
    unnamed: [...document.querySelectorAll("input, button, svg")].filter((one) => !(one.labels?.length > 0 || one.getAttribute("aria-label") || one.textContent.trim())).length,
    images: document.querySelectorAll("main img, main script, main b, main a[href^=h]").length,
    text: document.body.textContent,
  }));
  const order = ["Summary", "Hours over time", "Keeping up", "Services", "Findings and repairs", "Hands", "Parts and fluids", "Meter changes", "Doubtful points", "Withheld", "All entries", "Not proved by any file", "Keys and checkpoint", "About this page"];
  expect(JSON.stringify(told.headings.slice(1)) === JSON.stringify(order), `its parts: ${told.headings.join(", ")}`);
  expect(told.unnamed === 0, `${told.unnamed} controls have no name`);
  expect(told.images === 0, "a text of the file became markup");
  for (const text of ["</script><img src=x onerror=alert(1)>", "EX3 <b>the old one</b>", "A-1042-7731", "grease NLGI 2 EP, 40 g", "task a 1"]) {
    expect(told.text.includes(text), `it does not show ${text}`);
  }
  for (const line of program(written("whole.gz", lines), key).not_proved) {
    expect(told.text.includes(line), `it does not say that no file proves ${line}`);
  }
  // By keyboard alone: past the link over the top and the one that explains, to the key.
  const visited = [];
  for (let n = 0; n < 3; n += 1) {
    await page.keyboard.press("Tab");
    visited.push(await page.evaluate(() => document.activeElement.id || document.activeElement.textContent));
  }
  expect(visited.join(", ") === "Skip to the result of the check, how, key", `the keyboard comes to ${visited.join(", ")}`);
  await page.fill("#key", "no key");
  await page.press("#key", "Enter");
  expect((await page.textContent(".wrong")).includes("43"), "it takes for a key what is none");
  for (const format of ["A4", "Letter"]) {
    const print = await page.pdf({ format, path: keep && join(keep, `page-${format}.pdf`) });
    expect(print.length > 20_000, `${format}: it does not print`);
  }
  const [download] = await Promise.all([page.waitForEvent("download"), page.click("text=Save the history file")]);
  const saved = join(folder, "saved.gz");
  await download.saveAs(saved);
  compare("what the page saves", await withFile(page, saved), program(saved));
  await page.close();
}

/** Files that were damaged, given to a page that holds none: the same words as the program's. */
async function damaged(browser, url, lines, key) {
  const page = await watched(browser, { viewport: { width: 1280, height: 900 } });
  await page.goto(url);
  expect((await page.textContent("#check")).includes("holds no file"), "a page without a file says so");
  const reading = lines.findIndex((line) => line.includes('"meter_read"'));
  const files = {
    whole: lines,
    altered: lines.map((line, at) => (at === reading ? line.replace(/"reading":"\d/, '"reading":"9') : line)),
    "without an entry": lines.filter((_, at) => at !== reading),
    cut: lines.slice(0, -40),
    "without its top": lines.slice(1),
    "not lines": ["</script>", "{}"],
  };
  await withFile(page, written("first.gz", files.whole));
  await withKey(page, key);
  for (const [name, changed] of Object.entries(files)) {
    const path = written("changed.gz", changed);
    compare(name, await withFile(page, path), program(path, key));
  }
  await page.close();
}

async function browsed() {
  const { chromium } = await import("./page/node_modules/playwright-core/index.mjs");
  const [key, ...lines] = run("history_scene").trim().split("\n");
  const history = written("history.gz", lines);
  const [own, checker] = ["own.html", "checker.html"].map((name) => join(folder, name));
  program(history, key);
  spawnSync(join(binaries, "pintle"), ["--home", join(folder, "none"), "verify", history, "--page", own]);
  spawnSync(join(binaries, "pintle"), ["--home", join(folder, "none"), "verify", "--page", checker]);
  if (keep) {
    mkdirSync(keep, { recursive: true });
    copyFileSync(own, join(keep, "page.html"));
  }
  const path = process.env.PINTLE_TEST_CHROMIUM ?? "/usr/bin/chromium";
  // Root may not use the browser's own cage; the page runs nothing but what is here.
  const browser = await chromium.launch({ executablePath: path, args: process.getuid?.() === 0 ? ["--no-sandbox"] : [] });
  await looks(browser, `file://${own}`, key);
  await reads(browser, `file://${own}`, lines, key);
  await damaged(browser, `file://${checker}`, lines, key);
  await browser.close();
}

try {
  const built = spawnSync("node", [join(here, "page/build.mjs"), "--check"], { encoding: "utf8" });
  expect(built.status === 0, `the script is not what its sources give: ${built.stdout}${built.stderr}`);
  await signatures();
  if (existsSync(process.env.PINTLE_TEST_CHROMIUM ?? "/usr/bin/chromium")) await browsed();
  else expect(!process.env.PINTLE_TEST_COMPLETE, "there is no Chromium: install chromium");
} finally {
  rmSync(folder, { recursive: true, force: true });
}
wrong.slice(0, 20).forEach((told) => console.log(told));
console.log(`${checks} checks, ${wrong.length} of them wrong`);
process.exit(checks > 300 && wrong.length === 0 ? 0 : 1);
