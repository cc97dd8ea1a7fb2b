// What cutting showed: cautions first, then which cuts answer the most, a form for a finding, and what was logged.

import { ask, desk, tell, telling, trying } from "./desk.js";
import { make } from "./dom.js";

// Field, label, and what may be written there.
const SIZES = [
  ["depth_mm", "Depth, mm"],
  ["length_mm", "Length along the part, mm"],
  ["width_mm", "Width round it, mm"],
  ["thickness_mm", "Thickness of an adhesive layer, mm"],
];
const TEXTS = [
  ["defect", "Name of the defect, when it shows on several cuts"],
  ["photo", "Photo, a file in the inspection's folder"],
  ["seen_by", "Seen by (loupe, eye, dye …)"],
  ["note", "Note"],
];

export class Cut {
  constructor(place) {
    this.place = place;
    this.told = make("div", {});
    this.logged = make("div", {});
    this.kind = make("select", { name: "kind", required: true });
    this.where = make("input", { name: "where", required: true, placeholder: "BM-07-05", size: 24 });
    this.form = this.makeForm();
    const column = make("div", { class: "column" }, this.told, this.form, this.logged);
    place.append(column);
  }

  makeForm() {
    const field = ([name, words]) => make("label", {}, words, make("input", { name, maxlength: 2000 }));
    return make(
      "form",
      { class: "finding", onsubmit: (event) => this.log(event) },
      make("h2", {}, "What did the cut show?"),
      make(
        "p",
        { class: "quiet" },
        "Log “nothing there” too: only so can a miss be told from a point that nobody cut. Where: a point BM-07-05, " +
          "a block BM-07-11:09-02, stations BM-07 or BM-07:09; several with a space between.",
      ),
      make(
        "div",
        { class: "fields" },
        make("label", {}, "Found", this.kind),
        make("label", {}, "Where", this.where),
        SIZES.map(field),
        TEXTS.map(field),
      ),
      make("button", { class: "primary" }, "Keep this finding"),
    );
  }

  /** Write a place into the form, as it was chosen on the map. */
  at(where) {
    this.where.value = where;
    this.kind.focus();
  }

  async show() {
    const found = await telling(() => ask("/api/findings"));
    if (!found) return;
    if (this.kind.length === 0) {
      this.kind.append(...found.kinds.map(({ kind, words }) => make("option", { value: kind }, words)));
    }
    this.told.replaceChildren(...before(found));
    this.logged.replaceChildren(...after(found));
  }

  async log(event) {
    event.preventDefault();
    // What was left empty is not known, and is not sent.
    const row = Object.fromEntries([...new FormData(this.form)].filter(([, text]) => text.trim() !== ""));
    await trying(async () => {
      await tell("/api/findings", row);
      this.form.reset();
      await this.show();
      this.logged.querySelector("tr:last-child")?.scrollIntoView({ block: "nearest" });
    });
  }
}

function before({ cautions, cuts }) {
  return [
    make("h2", {}, "Before you cut"),
    make("ul", { class: "cautions" }, cautions.map((sentence) => make("li", {}, sentence))),
    make("h2", {}, "Which cuts answer the most"),
    desk.state.analysis === 0
      ? make("p", {}, "Analyse first: cuts are planned from the map.")
      : cuts.length === 0
        ? make("p", {}, "No further cut would answer much.")
        : table(
            "Planned cuts, the most telling of each zone first; stop after any of them",
            ["Zone", "Cut along", "Why"],
            cuts.map((cut) => [cut.zone, cut.along, cut.reason]),
          ),
  ];
}

function after({ findings, warnings }) {
  const held = "What cutting showed, held against the map";
  return [
    make("h2", {}, "Findings so far"),
    findings.length === 0
      ? make("p", {}, "None. Nothing is known of what lies inside.")
      : table(
          "Findings; findings.csv may be edited by hand",
          ["Found", "Where", "Size", "Note"],
          findings.map((one) => [one.kind, one.where, one.sizes, one.note]),
        ),
    warnings.map((sentence) => make("p", { class: "stale" }, sentence)),
    findings.length > 0 &&
      desk.state.analysis > 0 &&
      make("p", {}, make("a", { href: "/papers/section.html", target: "_blank", rel: "noopener" }, held)),
    make("p", { class: "quiet" }, "What was not cut is not known. The verdict is yours."),
  ].filter(Boolean).flat();
}

function table(caption, heads, rows) {
  const row = ([first, ...rest]) =>
    make("tr", {}, make("th", { scope: "row" }, first), rest.map((text) => make("td", {}, text)));
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
