// What cutting showed: a form for a finding, what was logged, cautions, and the best places to cut.

import { Fault, ask, desk, post, say, telling } from "./desk.js";
import { CutFace } from "./cutface.js";
import { button, make, table } from "./dom.js";
import { causeField, withOrigin } from "./origin.js";
import { question } from "./question.js";

// Field, label.
const SIZES = [
  ["depth_mm", "Depth, mm"],
  ["length_mm", "Length along, mm"],
  ["width_mm", "Width around, mm"],
  ["thickness_mm", "Adhesive layer, mm"],
];
const TEXTS = [
  ["defect", "Defect name (several cuts)"],
  ["seen_by", "Seen by (eye, loupe, dye …)"],
  ["starts_at", "Runs from (a flaw's name)"],
  ["note", "Note"],
];
const PLACES =
  "A point BM-07-05, a block BM-07-11:09-02, stations BM-07 or BM-07:09; several with spaces between.";

export class Cut {
  editing = null; // the row that the form changes; null when it logs a new one
  isChosen = false; // a place was chosen on the map: the form is shown at its first question

  constructor(place) {
    this.before = make("div", { class: "before" });
    this.logged = make("div", {});
    this.kinds = make("div", { class: "kinds", role: "radiogroup", "aria-label": "Found" });
    this.where = make("input", { name: "where", required: true, placeholder: "BM-07-05", size: 24 });
    this.where.addEventListener("input", () => this.offer());
    this.photo = make("input", { name: "photo", maxlength: 2000, placeholder: "photos/…" });
    this.offered = make("div", {});
    this.causes = make("div", {});
    this.answer = make("p", { class: "answer", role: "status" });
    this.save = make("button", { class: "primary" }, "Save finding");
    this.cancel = button("Cancel", () => this.clear(), null, { hidden: true });
    this.form = this.makeForm();
    this.face = new CutFace(() => this.show());
    place.append(make("div", { class: "column wide" }, this.form, this.logged), this.before, this.face.place);
  }

  makeForm() {
    const field = ([name, words]) => this.field(words, make("input", { name, maxlength: 2000 }));
    const pick = (words, more) => {
      const input = make("input", { type: "file", accept: "image/*", ...more, onchange: () => this.upload(input) });
      return make("label", {}, words, input);
    };
    return make(
      "form",
      { class: "finding", novalidate: true, onsubmit: (event) => this.log(event) },
      make("h2", {}, "What did the cut show?"),
      this.kinds,
      make("p", { class: "quiet" }, "Log “nothing there” too: otherwise a miss looks like a point that nobody cut."),
      make("div", { class: "fields" }, this.field("Where", this.where)),
      make("p", { class: "quiet" }, PLACES),
      this.offered,
      make("div", { class: "fields" }, SIZES.map(field), this.causes, TEXTS.map(field)),
      make(
        "div",
        { class: "fields" },
        this.field("Photo file", this.photo),
        pick("Take a photo", { capture: "environment" }),
        pick("Choose a photo", {}),
      ),
      make("div", { class: "row" }, this.save, this.cancel),
      this.answer,
    );
  }

  /** A labelled field, with room for what is wrong with it right below. */
  field(words, input) {
    const wrong = make("span", { class: "wrong", id: `wrong-${input.name}` });
    input.setAttribute("aria-describedby", wrong.id);
    return make("label", {}, words, input, wrong);
  }

  /** Write a place into the form, as it was chosen on the map. */
  at(where) {
    this.clear();
    this.where.value = where;
    this.offer();
    this.isChosen = true; // the pane opens after this
  }

  focusKind() {
    this.form.scrollIntoView({ block: "nearest" });
    this.kinds.querySelector("input")?.focus();
  }

  /** The indications under the place, each offered as a place of its own. */
  offer() {
    const names = this.where.value.toUpperCase().split(/\s+/);
    const under = (desk.results?.indications ?? []).filter((one) =>
      names.some((name) => one.points.includes(padded(name.split(":")[0])) || one.where === name),
    );
    this.offered.replaceChildren(
      ...under.map((one) =>
        make(
          "div",
          { class: "row" },
          `In indication ${one.id}, ${one.place}.`,
          one.where !== this.where.value &&
            button(`Whole indication ${one.id}`, () => {
              this.where.value = one.where;
              this.offer();
            }),
        ),
      ),
    );
  }

  async show() {
    const found = await telling(() => ask("/api/findings"));
    if (!found) return;
    if (this.kinds.children.length === 0) {
      const radio = ({ kind, words }) =>
        make("label", {}, make("input", { type: "radio", name: "kind", value: kind }), words);
      this.kinds.append(...found.kinds.map(radio));
      this.causes.append(this.field("What made it", causeField(found.causes)));
      this.edgeQuestion = found.edge_question;
    }
    this.before.replaceChildren(...before(found));
    this.logged.replaceChildren(...this.after(found));
    await telling(() => this.face.show());
    if (this.isChosen) this.focusKind();
    this.isChosen = false;
  }

  /** Say what became of a wish, beside the button that asked for it. */
  reply(kind, ...words) {
    this.answer.className = `answer ${kind}`;
    this.answer.replaceChildren(...words);
    this.answer.scrollIntoView({ block: "nearest" });
  }

  /** Do something; what the desk refuses is said here, and beside the field that is wrong. */
  async attempt(action) {
    say("");
    for (const input of this.form.querySelectorAll("[aria-invalid]")) input.removeAttribute("aria-invalid");
    for (const place of this.form.querySelectorAll(".wrong")) place.textContent = "";
    try {
      await action();
    } catch (error) {
      if (!(error instanceof Fault)) throw error;
      this.refuse(error.message);
    }
  }

  refuse(message) {
    const [, column] = /column (\w+)/.exec(message) ?? [];
    const sentence = message.replace(/^.*column \w+: /, "");
    const input = this.form.querySelector(`[name="${column}"]`);
    const place = this.form.querySelector(`#wrong-${column}`);
    this.reply("bad", `Not saved: ${sentence}`);
    if (input === null || place === null) return;
    input.setAttribute("aria-invalid", "true");
    place.textContent = sentence;
    input.focus();
  }

  upload(input) {
    const [file] = input.files;
    if (!file) return;
    this.attempt(async () => {
      const { photo } = await post(`/api/photos?name=${encodeURIComponent(file.name)}`, file);
      this.photo.value = photo;
      const measure = button("Measure this photo", () =>
        this.attempt(async () => {
          await this.face.show(photo);
          this.face.place.scrollIntoView();
        }),
      );
      this.reply("", `Photo kept as ${photo}. Save the finding to log it. `, measure);
      await this.face.show();
    });
    input.value = "";
  }

  async log(event) {
    event.preventDefault();
    // What was left empty is not known, and is not sent.
    const row = Object.fromEntries([...new FormData(this.form)].filter(([, text]) => text.trim?.() !== ""));
    for (const [name, value] of Object.entries(row)) if (typeof value !== "string") delete row[name];
    if (!row.kind) {
      this.reply("bad", "Not saved: choose what the cut showed.");
      this.kinds.querySelector("input")?.focus();
      return;
    }
    if (row.kind === "none") delete row.cause;
    const asked = await withOrigin(row, this.edgeQuestion);
    if (asked === null) return;
    await this.attempt(async () => {
      const was = this.editing;
      const { is_new: isNew } = was
        ? await post("/api/findings/change", { old: was, new: asked })
        : await post("/api/findings", asked);
      this.clear(row.where.split("-")[0]);
      const words = `${row.kind === "none" ? "nothing there" : row.kind} at ${row.where}`;
      this.reply("", isNew === false ? `Already logged: ${words}.` : `Saved: ${words}.`);
      await this.show();
    });
  }

  /** An empty form; the zone stays, since the next cut is mostly in the same one. */
  clear(zone = "") {
    this.form.reset();
    this.editing = null;
    this.where.value = zone ? `${zone}-` : "";
    this.save.textContent = "Save finding";
    this.cancel.hidden = true;
    this.answer.replaceChildren();
    this.offered.replaceChildren();
  }

  edit(row) {
    this.clear();
    this.editing = row;
    for (const [name, text] of Object.entries(row)) {
      const input = this.form.elements[name];
      if (input) input.value = text;
    }
    this.save.textContent = "Save change";
    this.cancel.hidden = false;
    this.offer();
    this.focusKind();
  }

  async remove(one) {
    if (!(await question([`Delete the finding “${one.kind}” at ${one.where}?`], "Delete"))) return;
    await this.attempt(async () => {
      await post("/api/findings/change", { old: one.row, new: {} });
      await this.show();
      const filled = Object.fromEntries(Object.entries(one.row).filter(([, text]) => text !== ""));
      const undo = button("Undo", () =>
        this.attempt(async () => {
          await post("/api/findings", filled);
          this.reply("", `Logged again: ${one.kind} at ${one.where}.`);
          await this.show();
        }),
      );
      this.reply("", `Deleted: ${one.kind} at ${one.where}. `, undo);
    });
  }

  after({ findings, warnings }) {
    const rows = findings.map((one) => [
      one.kind,
      one.where,
      one.sizes,
      [one.note, one.photo].filter(Boolean).join(", "),
      make(
        "div",
        { class: "row" },
        button("Edit", () => this.edit(one.row), null, { "aria-label": `Edit ${one.kind} at ${one.where}` }),
        button("Delete", () => this.remove(one), null, { "aria-label": `Delete ${one.kind} at ${one.where}` }),
      ),
    ]);
    return [
      make("h2", {}, "Findings so far"),
      findings.length === 0
        ? make("p", {}, "None yet.")
        : table("Findings; findings.csv may be edited by hand", ["Found", "Where", "Size", "Note", "Change"], rows),
      warnings.map((sentence) => make("p", { class: "stale" }, sentence)),
      findings.length > 0 && desk.state.analysis > 0 && make("p", {}, comparison()),
      make("p", { class: "quiet" }, "Nothing is known about what was not cut. The verdict is yours."),
    ]
      .filter(Boolean)
      .flat();
  }
}

/** A point's name with its numbers as the desk writes them: BM-7-5 is BM-07-05. */
function padded(name) {
  const [zone, ...numbers] = name.split("-");
  return [zone, ...numbers.map((number) => number.replace(/^0+/, "").padStart(2, "0"))].join("-");
}

function comparison() {
  const link = { href: "/papers/section.html", target: "_blank", rel: "noopener", class: "as-button" };
  return make("a", link, "Findings compared with the map");
}

function before({ cautions, cuts }) {
  return [
    make("h2", {}, "Before cutting"),
    make("ul", { class: "cautions" }, cautions.map((sentence) => make("li", {}, sentence))),
    make("h2", {}, "Best places to cut"),
    desk.state.analysis === 0
      ? make("p", {}, "Analyse first: cuts are planned from the map.")
      : cuts.length === 0
        ? make("p", {}, "No further cut would add much.")
        : table(
            "The most useful cut of each zone first; stop after any of them",
            ["Zone", "Cut along", "Why"],
            cuts.map((cut) => [cut.zone, cut.along, cut.reason]),
          ),
  ];
}
