// Parts of a page: elements, tables, sections, and lists that say what they leave out.
//
// Promises: text goes in as text. Never markup from a text.

import { said } from "./story.js";

/** An element with attributes and children. */
export function element(name, attributes, ...children) {
  const node = document.createElement(name);
  Object.entries(attributes).forEach(([key, value]) => node.setAttribute(key, value));
  node.append(...children);
  return node;
}

/** A part of the page under a heading. */
export function section(heading, ...children) {
  const id = `part-${heading.toLowerCase().replaceAll(/[^a-z]+/g, "-")}`;
  const title = element("h2", { id }, heading);
  return element("section", { "aria-labelledby": id }, title, ...children);
}

/** A table; on a narrow screen each row becomes a card, so each cell carries its column's name. */
export function table(caption, columns, rows) {
  // The roles are those of the elements; a style that makes cards of rows would take them away.
  const line = (...cells) => element("tr", { role: "row" }, ...cells);
  const head = line(...columns.map((column) => element("th", { scope: "col", role: "columnheader" }, column)));
  const body = rows.map((row) =>
    line(...row.map((cell, at) => element("td", { role: "cell", "data-column": columns[at] }, cell))),
  );
  const group = (name, ...lines) => element(name, { role: "rowgroup" }, ...lines);
  return element("table", { role: "table" }, element("caption", {}, caption), group("thead", head), group("tbody", ...body));
}

/**
 * The first of many, each drawn as a row, with how many more there are and a button that shows them. Rows are made
 * only when they are shown: a history may have a hundred thousand.
 */
export function clipped(items, most, { caption, columns, row, none }) {
  if (items.length === 0) return element("p", {}, none);
  const box = element("div", {});
  const show = (count) => {
    const left = items.length - count;
    box.replaceChildren(table(caption, columns, items.slice(0, count).map(row)));
    if (left <= 0) return;
    const more = element("button", { type: "button", class: "screen" }, `Show ${Math.min(left, 10 * most)} more`);
    more.addEventListener("click", () => show(Math.min(items.length, count + 10 * most)));
    box.append(element("p", {}, `${left} more are not shown here. `, more));
  };
  show(Math.min(most, items.length));
  return box;
}

/** Texts with commas between them, each in its own direction of writing; empty ones are passed over. */
export function worded(texts) {
  const there = texts.filter((text) => text !== undefined && text !== null && text !== "" && text !== false);
  const parts = there.flatMap((text, at) => [...(at > 0 ? [", "] : []), element("bdi", {}, said(text))]);
  return element("span", {}, ...parts);
}
