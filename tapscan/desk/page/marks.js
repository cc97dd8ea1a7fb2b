// What can be set at the chosen points: marks and a note in the plan, a finding, or a place on the list to tap again.

import { again } from "./again.js";
import { desk, post, trying } from "./desk.js";
import { button, make } from "./dom.js";
import { question } from "./question.js";
import { blockName, pointName } from "./surface.js";

const KINDS = [
  ["reference", "Known good", "G", "known good"],
  ["skip", "Skip", "S", "skipped"],
  ["none", "Clear mark", "C", "without a mark"],
];

/** The points of a block between two places, as [station, position]. */
export function pointsIn([stationA, positionA], [stationB, positionB]) {
  const span = (a, b) =>
    Array.from({ length: Math.abs(b - a) + 1 }, (_, i) => Math.min(a, b) + i);
  return span(stationA, stationB).flatMap((station) =>
    span(positionA, positionB).map((position) => [station, position]),
  );
}

export class Marks {
  /** `look` is the map; `log` opens the form of findings at a place, `tapAgain` the collecting pane. */
  constructor(look, { log, tapAgain }) {
    Object.assign(this, { look, tapAgain });
    // The buttons are made once: one that is pressed while something arrives stays under the finger.
    const kinds = KINDS.map(([kind, words, key]) =>
      button(words, () => this.mark(kind), key, { "data-mark": kind }),
    );
    this.undo = button("Undo", () => this.step("undo"));
    this.redo = button("Redo", () => this.step("redo"));
    this.again = button("Tap again", () => this.tapPoints(pointsIn(...this.corners)));
    this.group = make("div", { class: "row", role: "group" }, kinds, this.undo, this.redo);
    const logged = () => log(`${look.zone.code}-${blockName(...this.corners)}`);
    const more = make("div", { class: "row" }, button("Log finding", logged), this.again);
    this.note = make("div", { class: "note" });
    this.said = make("p", { class: "said", role: "status" });
    this.place = make("div", { class: "marks" }, this.group, more, this.note, this.said);
  }

  /** Whether somebody writes a note: it is not taken away while they do. */
  get isWriting() {
    return this.note.contains(document.activeElement);
  }

  /** The opposite corners of the chosen block; of a single point both are the same. */
  get corners() {
    return [this.look.anchor ?? this.look.at, this.look.at];
  }

  /** Name the chosen block on the buttons, and show the note of a single point. */
  show({ keepsNote = false } = {}) {
    const { zone, at, method } = this.look;
    const { length } = pointsIn(...this.corners);
    this.nameSteps();
    this.group.setAttribute("aria-label", `Mark ${blockName(...this.corners)} in the plan`);
    this.again.textContent = length > 1 ? `Tap ${length} again` : "Tap again";
    this.again.hidden = method !== "tap";
    if (!keepsNote) this.showNote(length === 1 ? pointName(zone, at) : null);
  }

  /** The state was read again: what can be undone may have changed. */
  nameSteps() {
    for (const step of ["undo", "redo"]) {
      const words = desk.state?.[step] ?? "";
      this[step].disabled = words === "";
      const verb = step === "undo" ? "Undo" : "Redo";
      this[step].setAttribute("aria-label", words ? `${verb}: ${words}` : verb);
      this[step].title = words;
    }
  }

  tapPoints(points) {
    again.set(points.map((at) => pointName(this.look.zone, at)));
    this.tapAgain();
  }

  /** Mark the chosen block, after a question where a mark could hide damage or leave out many points. */
  async mark(kind) {
    const { zone } = this.look;
    const points = pointsIn(...this.corners);
    const block = blockName(...this.corners);
    const suspects = points.filter((one) => this.look.statusAt(one) === "suspect");
    if (!(await mayMark(kind, zone, points, suspects))) return;
    await trying(async () => {
      await post("/api/marks", { version: desk.plan.version, zone: zone.code, points: block, mark: kind });
      await desk.readState();
      const [, , , words] = KINDS.find(([name]) => name === kind);
      this.said.textContent = `${zone.code}-${block}: now ${words}. Undo takes it back.`;
    });
  }

  /** Undo the latest change of the plan, or redo what was undone. */
  async step(which) {
    const words = desk.state[which];
    if (!words) return;
    await trying(async () => {
      await post(`/api/${which}`);
      await desk.readState();
      this.said.textContent = `${which === "undo" ? "Undone" : "Done again"}: ${words}.`;
    });
  }

  showNote(name) {
    this.note.replaceChildren();
    if (name === null) return;
    // A note is written over what it was when it was read, so that nobody else's is lost.
    let was = desk.plan.notes[name] ?? "";
    const area = make("textarea", { rows: 2, maxlength: 2000, id: "note", onchange: () => save() });
    area.value = was;
    const save = async () => {
      const text = area.value.trim();
      if (text === was) return;
      const before = was;
      was = text; // a press on the button and leaving the field are one wish
      const isWritten = await trying(async () => {
        await post("/api/notes", { point: name, note: text, was: before });
        this.said.textContent = text ? `Note at ${name} saved.` : `Note at ${name} removed.`;
        await desk.readState();
        return true;
      });
      if (!isWritten) was = before;
    };
    area.addEventListener("keydown", (event) => {
      if (event.key === "Enter" && (event.ctrlKey || event.metaKey)) save();
      if (event.key === "Escape") this.look.map.focus();
    });
    this.note.append(
      make("label", { for: "note" }, `Note at ${name}`),
      make("div", { class: "beside" }, area, button("Save note", save)),
    );
  }
}

function mayMark(kind, zone, points, suspects) {
  const many = (count) => (count === 1 ? "1 point" : `${count} points`);
  const named = suspects.slice(0, 3).map((at) => pointName(zone, at)).join(", ");
  const more = suspects.length > 3 ? " …" : "";
  const are = suspects.length === 1 ? "is suspect" : "are suspect";
  if (kind === "reference" && suspects.length > 0) {
    const words = [
      `${many(suspects.length)} of ${points.length} ${are}: ${named}${more}.`,
      "Points marked known good belong to the baseline: damage marked known good hides damage like it.",
    ];
    return question(words, "Mark known good");
  }
  if (kind === "skip" && (points.length > 1 || suspects.length > 0)) {
    const words = [
      `Skip ${many(points.length)}? Nothing will be known about a skipped point.`,
      ...(suspects.length > 0 ? [`${many(suspects.length)} ${are}: ${named}${more}.`] : []),
    ];
    return question(words, `Skip ${many(points.length)}`);
  }
  return true;
}
