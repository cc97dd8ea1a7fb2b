// Report, wraps, outlines and tables: one click away, written when they are asked for.

import { ask, desk, telling } from "./desk.js";
import { make } from "./dom.js";

/** The report, and what can be printed of one zone, each one click away from its map; the links follow. */
export function papersOf(zone) {
  const row = make("nav", { class: "row", "aria-label": "Papers of this zone" });
  telling(async () => {
    const groups = await ask("/api/papers");
    // What belongs to the whole part belongs to each of its zones.
    const own = groups.filter((group) => (group.zone ?? zone.code) === zone.code);
    row.append(...own.flatMap((group) => group.papers.map(linkTo)));
  });
  return row;
}

function linkTo({ name, title }) {
  return make("a", { href: `/papers/${name}`, target: "_blank", rel: "noopener" }, title);
}

export async function showPapers(place) {
  const groups = await telling(() => ask("/api/papers"));
  if (!groups) return;
  const found = desk.results;
  place.replaceChildren(
    make(
      "div",
      { class: "column" },
      found && make("h2", {}, "In short"),
      found && found.summary.map((sentence) => make("p", { class: "lead" }, sentence)),
      found && make("p", {}, found.chance),
      !found && make("p", { class: "lead" }, "Nothing is analysed yet: there are only grids to print."),
      desk.state.is_stale &&
        make(
          "p",
          { class: "stale" },
          "Plan or readings changed since the analysis: analyse again before you print.",
        ),
      groups.map((group) => [
        make("h2", {}, group.title),
        make(
          "ul",
          { class: "papers" },
          group.papers.map((paper) => make("li", {}, linkTo(paper), make("code", {}, paper.name))),
        ),
      ]),
      make(
        "p",
        { class: "quiet" },
        "Print wraps at 100 % and measure their bars before you cut. Making a paper takes a few seconds the first time.",
      ),
      make("h2", {}, "Warnings"),
      warnings(found?.warnings ?? desk.plan.warnings),
    ),
  );
}

function warnings(sentences) {
  if (sentences.length === 0) return make("p", {}, "None.");
  return make(
    "ul",
    {},
    sentences.map((sentence) => make("li", {}, sentence)),
  );
}
