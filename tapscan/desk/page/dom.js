// Making elements. Text goes in as text and never as markup, so that nothing in a plan or a file name can run.

const SVG = "http://www.w3.org/2000/svg";

function fill(element, attributes, children) {
  for (const [name, value] of Object.entries(attributes ?? {})) {
    if (name.startsWith("on")) element.addEventListener(name.slice(2), value);
    else if (value === true) element.setAttribute(name, "");
    else if (value !== false && value !== null && value !== undefined) element.setAttribute(name, value);
  }
  element.append(
    ...children.flat(Infinity).filter((child) => child !== null && child !== undefined && child !== false),
  );
  return element;
}

/** Make an HTML element: make("p", { class: "quiet" }, "words", child). */
export function make(name, attributes, ...children) {
  return fill(document.createElement(name), attributes, children);
}

/** Make an SVG element. */
export function draw(name, attributes, ...children) {
  return fill(document.createElementNS(SVG, name), attributes, children);
}

/** A button that does something, with its key shown on it where it has one. */
export function button(words, action, key, attributes) {
  const shown = key ? [make("kbd", { "aria-hidden": "true" }, key)] : [];
  return make(
    "button",
    { type: "button", onclick: action, "aria-keyshortcuts": key, ...attributes },
    words,
    ...shown,
  );
}

/** Whether a key press belongs to a field that is being written in. */
export function isWriting(event) {
  return (
    event.target.closest("textarea, input:not([type=range]):not([type=checkbox]), select, dialog") !== null
  );
}

/** A table that scrolls on a narrow screen; the first of each row names it. */
export function table(caption, heads, rows) {
  const row = ([first, ...rest]) =>
    make("tr", {}, make("th", { scope: "row" }, first), rest.map((content) => make("td", {}, content)));
  return make(
    "div",
    { class: "scroll", tabindex: 0, role: "group", "aria-label": caption },
    make(
      "table",
      {},
      make("caption", {}, caption),
      make("thead", {}, make("tr", {}, heads.map((words) => make("th", { scope: "col" }, words)))),
      make("tbody", {}, rows.map(row)),
    ),
  );
}
