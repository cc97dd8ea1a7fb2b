// Marks and notes for the chosen points.

import { desk } from "./desk.js";
import { button, make } from "./dom.js";
import { mark, note } from "./sheet.js";
import { blockName, pointName } from "./surface.js";

const KINDS = [
  ["reference", "Good here", "G"],
  ["skip", "Leave out", "X"],
  ["none", "Take mark away", "C"],
];

/** Buttons that mark the block between two points or log what a cut showed there, and a single point's note. */
export function marksRow(zone, from, to, log) {
  const block = blockName(from, to);
  const name = pointName(zone, to);
  const kinds = KINDS.map(([kind, words, key]) =>
    button(words, () => mark(zone.code, block, kind), key, { "data-mark": kind }),
  );
  const row = make(
    "div",
    { class: "row", role: "group", "aria-label": `Mark ${block} in the plan` },
    make("span", { class: "quiet" }, `Mark ${block}:`),
    kinds,
    button("Log a cut here", () => log(`${zone.code}-${block}`)),
  );
  if (from[0] !== to[0] || from[1] !== to[1]) return [row];
  // A note is written against what it was when it was read, so that nobody else's is written over.
  const text = desk.plan.notes[name] ?? "";
  const area = make("textarea", { rows: 2, maxlength: 2000, "aria-label": `Note at ${name}` });
  area.value = text;
  return [
    row,
    make(
      "details",
      { class: "note", open: text !== "" },
      make("summary", {}, `Note at ${name}`),
      area,
      make(
        "div",
        { class: "row" },
        button("Write note", () => note(name, area.value, text)),
      ),
    ),
  ];
}
