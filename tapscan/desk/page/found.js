// What the analysis found in a zone, in the report's words: indications, and what the report says beside its map.

import { desk } from "./desk.js";
import { button, make } from "./dom.js";
import { pointName } from "./surface.js";

/** The indications of a zone, each one press away from its strongest point. */
export function indicationsOf(found, go) {
  if (!found) return [];
  if (found.indications.length === 0) {
    return [make("p", {}, "No indication in this zone. That is not proof that it is sound.")];
  }
  const rows = found.indications.map((one) => {
    const name = one.kind === "thin" ? "thin wall" : one.kind === "disbond" ? "disbond" : "";
    return make(
      "tr",
      {},
      make(
        "th",
        { scope: "row" },
        make("button", { type: "button", class: "tag", onclick: () => go(one) }, one.id),
      ),
      make(
        "td",
        {},
        name ? `${name}, ${one.place}` : one.place,
        make("small", {}, `strongest at ${one.peak}, score ${one.score.toFixed(1)}; depth: ${one.depth}`),
      ),
      make("td", {}, `${one.area} mm²`, make("small", {}, one.bounds)),
    );
  });
  const head = ["Indication", "Place on the part", "Area"].map((words) => make("th", { scope: "col" }, words));
  const table = make(
    "table",
    {},
    make("thead", {}, make("tr", {}, head)),
    make("tbody", {}, rows),
  );
  return [scrolling("Indications", table)];
}

/** What the report says of the zone as a whole. */
export function wordsOf(found) {
  if (!found) return [];
  return [
    make("p", {}, found.counts, found.apart && ` ${found.apart}`),
    make("p", { class: "quiet" }, found.baseline),
  ];
}

/** Points that the plan marks known good and the analysis calls suspect: said for as long as it is so. */
export function doubtful(found, zone) {
  if (!found) return [];
  const suspect = desk.plan.statuses.indexOf("suspect");
  const odd = zone.reference.filter((i) => found.status[i] === suspect);
  if (odd.length === 0) return [];
  const { positions } = zone;
  const names = odd.slice(0, 6).map((i) => pointName(zone, [Math.floor(i / positions), i % positions]));
  const [count, are] = odd.length === 1 ? ["1 point", "is"] : [`${odd.length} points`, "are"];
  const more = odd.length > 6 ? " …" : "";
  const words = `${count} marked known good ${are} suspect: ${names.join(", ")}${more}. Check, or clear the mark.`;
  return [make("p", { class: "stale" }, words)];
}

/** The unread points of a zone, to be tapped again as a list. */
export function unreadList(unread, found, tapAgain) {
  if (!found || unread.length === 0) return [];
  const words = unread.length === 1 ? "1 point is unread." : `${unread.length} points are unread.`;
  const tap = unread.length === 1 ? "Tap it again" : `Tap all ${unread.length} again`;
  return [make("div", { class: "row" }, words, button(tap, () => tapAgain(unread)))];
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
