// Builds core/src/history/page/bundle.js, the one script of the service-history page, from its sources and the libraries
// that package-lock.json pins by their hashes.
//
//     node build.mjs            writes it
//     node build.mjs --check    says whether the one that is there is this one, byte for byte
//
// Readable on purpose: nothing is shortened, so that who opens the page can read what judges the file.

import { build } from "esbuild";
import { readFileSync, writeFileSync } from "node:fs";
import { fileURLToPath } from "node:url";

const here = fileURLToPath(new URL(".", import.meta.url));
const folder = fileURLToPath(new URL("../../../core/src/history/page/", import.meta.url));
const bundle = `${folder}bundle.js`;

const built = await build({
  absWorkingDir: folder,
  entryPoints: ["main.js"],
  nodePaths: [`${here}node_modules`],
  bundle: true,
  write: false,
  format: "iife",
  globalName: "pintlePage",
  target: "es2022",
  charset: "utf8",
  legalComments: "none",
  logLevel: "warning",
});
const licences = ["@noble/ed25519", "@noble/hashes", "fflate"].map((name) => {
  const { version } = JSON.parse(readFileSync(`${here}node_modules/${name}/package.json`, "utf8"));
  return `${name} ${version}\n${readFileSync(`${here}node_modules/${name}/LICENSE`, "utf8").trim()}\n`;
});
const head = `/*\nMade by tests/outside/page/build.mjs from the files beside this one and the libraries below. Do not edit.\n\n${licences.join("\n")}*/\n`;
// The names of files below depend on where the packages lie.
const code = built.outputFiles[0].text.replaceAll(/^( *\/\/ ).*node_modules\//gm, "$1");
const text = head + code;
if (/<\/script|<!--/i.test(text)) throw new Error("the script would end where it stands in a page");
if (!process.argv.includes("--check")) {
  writeFileSync(bundle, text);
} else if (readFileSync(bundle, "utf8") !== text) {
  console.error("core/src/history/page/bundle.js is not what its sources and the pinned libraries give: node build.mjs");
  process.exit(1);
} else {
  console.log("bundle.js is what its sources and the pinned libraries give, byte for byte");
}
