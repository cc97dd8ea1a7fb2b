// A zone on a photo, written into the plan: what is wrong beside its step, the outcome, and back again.

import { Fault, ask, desk, post } from "./desk.js";
import { make } from "./dom.js";

// Which step shows what is wrong with a key of the plan.
const STEPS = { photo_sha256: "photo", same_points_as: "photo", square: "scale", holes: "outline" };

export class PlaceSave {
  refused = []; // what was wrong when it was to be saved, until something changes

  /** `owner` has what is `drawn`, its `draft`, what is `typed` beside it and the plan's `version`; it can `show` itself. */
  constructor(owner, { mayWrite, written }) {
    Object.assign(this, { owner, mayWrite, written });
    this.outcome = make("p", { class: "answer", role: "status" });
    this.wrong = Object.fromEntries(
      ["code", "photo", "scale", "outline", "points"].map((key) => [key, make("p", { class: "wrong", role: "status" })]),
    );
  }

  conclude(kind, ...words) {
    this.owner.answer.replaceChildren();
    this.outcome.className = `answer ${kind}`;
    this.outcome.replaceChildren(...words);
  }

  /** The same, and bring it into view: it is below everything. */
  end(kind, ...words) {
    this.conclude(kind, ...words);
    this.outcome.scrollIntoView({ block: "nearest" });
  }

  /** Put what is wrong beside its step, one sentence each; return what belongs to none. */
  showMistakes(mistakes) {
    for (const place of Object.values(this.wrong)) place.textContent = "";
    const rest = [];
    for (const { key, words } of [...mistakes, ...this.refused]) {
      const place = this.wrong[STEPS[key] ?? key];
      if (!place) rest.push(words);
      else if (!place.textContent.includes(words)) place.textContent += `${place.textContent && " "}${words}.`;
    }
    return rest;
  }

  async save() {
    if (!this.mayWrite()) {
      this.end("bad", "Save or discard the changes in the form above first: both write the plan.");
      return;
    }
    const { drawn, version, typed } = this.owner;
    const draft = { ...this.owner.draft, ...typed };
    try {
      await post("/api/photo-zones", { version, was: drawn.was, zone: draft });
    } catch (error) {
      if (!(error instanceof Fault)) throw error;
      const { mistakes } = error;
      this.refused = mistakes.map(({ path, words }) => ({ key: path.split(".").at(-1), words }));
      const rest = this.showMistakes([]);
      const words = rest.length < mistakes.length ? ["what is wrong is marked beside the steps.", ...rest] : [error.message];
      this.end("bad", `Not saved: ${words.join(" ")}`);
      return;
    }
    const { was } = drawn;
    const found = await ask("/api/photo-zones");
    drawn.saved(found.zones.find((one) => one.code === draft.code).was);
    await this.afterWriting();
    const undo = this.owner.act("Undo save", () => this.undoSave(was));
    const count = `${draft.points.length} ${draft.points.length === 1 ? "point" : "points"}`;
    this.end("", `Saved: zone ${draft.code} with ${count}. Print it from Reports, then collect. `, undo);
  }

  /** What was drawn stays on the table, as something that is not saved. */
  async undoSave(was) {
    await post("/api/undo");
    this.owner.drawn.was = was;
    this.owner.drawn.change({});
    await this.afterWriting();
    this.end("", "The plan is as it was before; what is drawn is not in it.");
  }

  async afterWriting() {
    await desk.readState();
    await this.owner.show();
    await this.written();
  }
}
