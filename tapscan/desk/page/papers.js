// Report, wraps, outlines and tables: one click away, written on request.

import { ask, desk, telling } from "./desk.js";
import { make } from "./dom.js";

/** Links to the reports on the whole part. */
export async function reportLinks() {
  const groups = await ask("/api/papers");
  const whole = groups.filter((group) => group.zone === null);
  return whole.flatMap((group) => group.papers.map((paper) => linkTo(paper, "as-button")));
}

/** What can be printed of one zone, each one click away from its map; the links follow. */
export function papersOf(zone) {
  const row = make("nav", { class: "row", "aria-label": "Prints of this zone" });
  telling(async () => {
    const groups = await ask("/api/papers");
    const own = groups.filter((group) => group.zone === zone.code);
    row.append(...own.flatMap((group) => group.papers.map((paper) => linkTo(paper))));
  });
  return row;
}

function linkTo({ name, title }, kind = "") {
  return make("a", { href: `/papers/${name}`, target: "_blank", rel: "noopener", class: kind }, title);
}

export async function showPapers(place) {
  const groups = await telling(() => ask("/api/papers"));
  if (!groups) return;
  const found = desk.results;
  place.replaceChildren(
    make(
      "div",
      { class: "column" },
      found && make("h2", {}, "Summary"),
      found && found.summary.map((sentence) => make("p", { class: "lead" }, sentence)),
      found && make("p", {}, found.chance),
      !found && make("p", { class: "lead" }, "Not analysed yet: only grids can be printed."),
      desk.state.is_stale &&
        make(
          "p",
          { class: "stale" },
          "Plan or readings changed since the analysis: analyse again before printing.",
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
        "Print wraps at 100 % and measure their scale bars before cutting. The first time a page takes a few seconds.",
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
