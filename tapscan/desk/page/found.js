// What the analysis found in a zone, in the report's words: indications, and what the report says beside its map.

import { make } from "./dom.js";

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
      ? scrolling(
          "Indications",
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

/** What the report says of the zone beside its map: each part folded, one click away. */
export function partsOf(found) {
  return (found?.parts ?? []).map((part) =>
    make(
      "details",
      { class: "part" },
      make("summary", {}, part.title),
      part.lines.map((line) => make("p", {}, line)),
      part.tables.map((table) => scrolling(table.caption, tableFrom(table))),
    ),
  );
}

function scrolling(name, table) {
  return make("div", { class: "scroll", tabindex: 0, role: "group", "aria-label": name }, table);
}

function tableFrom({ caption, head, rows }) {
  const cells = ([first, ...rest]) => [
    make("th", { scope: "row" }, first),
    rest.map((text) => make("td", {}, text)),
  ];
  return make(
    "table",
    { class: "small" },
    make("caption", {}, caption),
    make(
      "thead",
      {},
      make(
        "tr",
        {},
        head.map((words) => make("th", { scope: "col" }, words)),
      ),
    ),
    make(
      "tbody",
      {},
      rows.map((row) => make("tr", {}, cells(row))),
    ),
  );
}
