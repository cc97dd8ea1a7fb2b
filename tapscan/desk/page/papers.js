// Report, wraps, outlines and tables: one click away, written when they are asked for.

import { ask, desk, telling } from "./desk.js";
import { make } from "./dom.js";

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
          group.papers.map((paper) =>
            make(
              "li",
              {},
              make("a", { href: `/papers/${paper.name}`, target: "_blank", rel: "noopener" }, paper.title),
              make("code", {}, paper.name),
            ),
          ),
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
