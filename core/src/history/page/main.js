export { Verifier } from "./verify.js";
export { linesOf } from "./gzip.js";
export { signed } from "./bytes.js";
