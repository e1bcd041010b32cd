// Parts of a page: elements, tables, sections, and lists that say what they leave out.
//
// Promises: text goes in as text. Never markup from a text.

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

/** The first rows, with how many more there are and a button that shows them. */
export function clipped(rows, most, draw, none) {
  if (rows.length === 0) return element("p", {}, none);
  const box = element("div", {});
  const show = (count) => {
    const left = rows.length - count;
    box.replaceChildren(draw(rows.slice(0, count)));
    if (left <= 0) return;
    const more = element("button", { type: "button", class: "screen" }, `Show ${Math.min(left, 10 * most)} more`);
    more.addEventListener("click", () => show(count + 10 * most));
    box.append(element("p", {}, `${left} more are not shown here. `, more));
  };
  show(Math.min(most, rows.length));
  return box;
}

/** Texts with commas between them, each in its own direction of writing; empty ones are passed over. */
export function worded(texts) {
  const said = texts.filter((text) => text !== undefined && text !== null && text !== "" && text !== false);
  const parts = said.flatMap((text, at) => [...(at > 0 ? [", "] : []), element("bdi", {}, String(text))]);
  return element("span", {}, ...parts);
}
