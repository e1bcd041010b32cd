// The meter over time, with services and findings on it, as a drawing in the page.
//
// Promises: every believed reading is on the line, every doubtful one beside it; what is drawn stands in the tables too, so
// that nobody needs to see it. Shapes differ, not colours alone.
// Never a style attribute: the page's policy allows none.

import { decimal } from "./story.js";

const SVG = "http://www.w3.org/2000/svg";
const [WIDTH, HEIGHT, LEFT, RIGHT, TOP, BOTTOM] = [720, 300, 64, 12, 16, 34];
const MONTHS = "Jan Feb Mar Apr May Jun Jul Aug Sep Oct Nov Dec".split(" ");
/** More marks than this of one kind are thinned: beyond it they only cover each other. */
const MARKS_MAX = 400;

function shape(name, attributes, ...children) {
  const node = document.createElementNS(SVG, name);
  Object.entries(attributes).forEach(([key, value]) => node.setAttribute(key, value));
  node.append(...children);
  return node;
}

/** The drawing; undefined where there are not two readings. */
export function plot(meter, services, findings) {
  const believed = meter.points.filter((point) => !point.falls);
  if (believed.length < 2) return undefined;
  const times = meter.points.map((point) => point.at_s);
  // The scale is that of what is believed: a doubtful reading beyond it stands at its edge.
  const lives = believed.map((point) => point.life);
  const [from, until] = [Math.min(...ends(times)), Math.max(...ends(times))];
  const [low, high] = [Math.min(...ends(lives)), Math.max(...ends(lives))];
  const x = (at_s) => LEFT + ((at_s - from) / (until - from || 1)) * (WIDTH - LEFT - RIGHT);
  const within01 = (share) => Math.min(1, Math.max(0, share));
  const y = (life) => HEIGHT - BOTTOM - within01((life - low) / (high - low || 1)) * (HEIGHT - TOP - BOTTOM);
  /** The line's height at a moment: where a mark without a reading of its own is put. */
  const lifeAt = (at_s) => {
    const next = believed.findIndex((point) => point.at_s >= at_s);
    if (next <= 0) return believed.at(next).life;
    const [a, b] = [believed[next - 1], believed[next]];
    return a.life + ((at_s - a.at_s) / (b.at_s - a.at_s || 1)) * (b.life - a.life);
  };
  const within = (entry) => entry.at_s !== undefined && entry.at_s >= from && entry.at_s <= until;
  const marks = (entries, draw) => thinned(entries.filter(within)).map((e) => draw(x(e.at_s), y(lifeAt(e.at_s)), e));
  const round = (number) => number.toFixed(1);
  const line = believed.map((point) => `${round(x(point.at_s))},${round(y(point.life))}`).join(" ");
  const done = services.flatMap((task) => task.rows.map((row) => row.entry));
  const told = `${meter.meter} from ${decimal(low)} to ${decimal(high)}; ${done.length} services, ${findings.length} findings`;
  return shape(
    "svg",
    { viewBox: `0 0 ${WIDTH} ${HEIGHT}`, role: "img", "aria-label": `Meter over time: ${told}`, class: "plot" },
    ...steps(low, high).flatMap((life) => [
      shape("line", { x1: LEFT, x2: WIDTH - RIGHT, y1: round(y(life)), y2: round(y(life)), class: "grid" }),
      shape("text", { x: LEFT - 6, y: round(y(life) + 4), class: "axis end" }, decimal(life)),
    ]),
    ...dates(from, until).map(({ at_s, label, anchor }) =>
      shape("text", { x: round(x(at_s)), y: HEIGHT - 10, class: `axis ${anchor}` }, label),
    ),
    shape("polyline", { points: line, class: "line" }),
    ...marks(done, (cx, cy) => shape("circle", { cx: round(cx), cy: round(cy), r: 3.5, class: "service" })),
    ...marks(
      findings.map((finding) => finding.entry),
      (cx, cy) => shape("path", { d: `M${round(cx)} ${round(cy - 7)}l6 11h-12z`, class: "finding" }),
    ),
    ...thinned(meter.points.filter((point) => point.falls)).map((point) =>
      shape("path", { d: `M${round(x(point.at_s) - 4)} ${round(y(point.life) - 4)}l8 8m0 -8l-8 8`, class: "falls" }),
    ),
  );
}

/** Least and greatest without a spread, which a long list does not survive. */
const ends = (numbers) => [numbers.reduce((a, b) => Math.min(a, b)), numbers.reduce((a, b) => Math.max(a, b))];

const thinned = (list) => list.filter((_, at) => at % Math.ceil(list.length / MARKS_MAX || 1) === 0);

/** Round values between two, at most six. */
function steps(low, high) {
  const rough = (high - low) / 5 || 1000;
  const ten = 10 ** Math.floor(Math.log10(rough));
  const step = [1, 2, 5, 10].map((times) => times * ten).find((size) => size >= rough);
  const first = Math.ceil(low / step) * step;
  return Array.from({ length: Math.floor((high - first) / step) + 1 }, (_, at) => first + at * step);
}

function dates(from, until) {
  const label = (at_s) => {
    const date = new Date(at_s * 1000);
    return `${date.getUTCDate()} ${MONTHS[date.getUTCMonth()]} ${date.getUTCFullYear()}`;
  };
  const all = [[from, "start"], [(from + until) / 2, "middle"], [until, "end"]];
  const labelled = all.map(([at_s, anchor]) => ({ at_s, anchor, label: label(at_s) }));
  return labelled.filter(({ label: one }, at) => labelled.findIndex((other) => other.label === one) === at);
}
