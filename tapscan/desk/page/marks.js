// Marks and notes for the chosen points, and the table of indications.

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
  // A note is written against the notes that were read with it, so that nobody else's is written over.
  const [text, version] = [desk.plan.notes[name] ?? "", desk.plan.notes_version];
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
        button("Write note", () => note(name, area.value, version)),
      ),
    ),
  ];
}

/** What stands out in a zone, and what good means in it, in the report's words. */
export function tableOf(found, go) {
  if (!found) return [];
  const rows = found.indications.map((one) =>
    make(
      "tr",
      {},
      make(
        "th",
        { scope: "row" },
        make("button", { type: "button", class: "tag", onclick: () => go(one) }, one.id),
      ),
      make("td", {}, one.kind === "disbond" ? `disbond, ${one.place}` : one.place),
      make("td", {}, `${one.area} mm²`, make("small", {}, `bounds ${one.bounds}; ${one.disc}`)),
      make("td", {}, one.depth),
      make(
        "td",
        {},
        one.peak,
        make("small", {}, `score ${one.score.toFixed(1)}, ${one.points.length} points`),
      ),
    ),
  );
  const head = ["Number", "Place on the part", "Area", "Depth", "Strongest point"].map((words) =>
    make("th", { scope: "col" }, words),
  );
  return [
    make("p", {}, found.counts, found.apart && ` ${found.apart}`),
    rows.length > 0
      ? make(
          "div",
          { class: "scroll", tabindex: 0, role: "group", "aria-label": "Indications" },
          make(
            "table",
            {},
            make("caption", {}, "Indications"),
            make("thead", {}, make("tr", {}, head)),
            make("tbody", {}, rows),
          ),
        )
      : make("p", {}, "No indication in this zone. That is not proof that it is sound."),
    make("p", { class: "quiet" }, found.baseline),
  ];
}
