// A zone on a photo, made by clicks: photo, scale, outline, points. The desk computes every number.

import { Bend } from "./bend.js";
import { CutView } from "./cutview.js";
import { Fault, ask, desk, say, tell } from "./desk.js";
import { button, isWriting, make } from "./dom.js";
import { Drawn, rounded } from "./drawn.js";
import { zoneLines } from "./placelines.js";
import { PlacePhoto } from "./placephoto.js";
import { PlacePoints } from "./placepoints.js";
import { question } from "./question.js";

// How places are set: `ends` counts them, and the last one finishes; without it the person does.
const TOOLS = {
  length: { words: "Known length", ask: "Click both ends of a length that you measured. Several lengths, across each other, show a tilt.", ends: 2 },
  square: { words: "Printed square", ask: "Click the four corners of the square, all round.", ends: 4 },
  outline: { words: "Outline", ask: "Click round what is to be inspected, then Done. Corners can be dragged.", least: 3 },
  hole: { words: "Hole", ask: "Click round the hole, then Done.", least: 3 },
  points: { words: "Points one by one", ask: "Click to place the next point. Drag a point to move it; click it to rename or delete it." },
  grid: { words: "Bent grid", ask: "Click its corners, all round: first point, along the stations, far corner, back. Then drag the handles, then Done." },
};
// Which step shows what is wrong with a key of the plan.
const STEPS = { photo_sha256: "photo", same_points_as: "photo", square: "scale", holes: "outline" };
const KEYS = "Arrow keys move the cross, with Shift by one pixel. Enter sets a place or chooses a point, M picks it up and puts it down, D is done, Backspace takes one back, Delete deletes the chosen point.";

export class Placing {
  drawn = new Drawn();
  tool = "";
  seen = { pairs: [] }; // what the desk says of the draft
  refused = []; // what was wrong when it was to be saved, until something changes
  turn = Promise.resolve();

  /** `mayWrite` says whether nothing else is being written; `written` is called after the plan was. */
  constructor({ mayWrite, written }) {
    Object.assign(this, { mayWrite, written });
    this.view = new CutView({
      point: (place) => this.attempt(() => this.set(rounded(place))),
      chosen: (open) => this.attempt(() => this.press(open)),
      dragged: (open) => this.tool === "grid" && this.bend.hasCorners && this.bend.set(open, this.view.open[open]),
      dropped: (open) => this.attempt(() => this.drop(open)),
      key: (event) => this.key(event),
      drawn: (unit) => this.lines(unit),
    });
    this.view.svg.setAttribute("aria-label", `Photo of the zone. ${KEYS}`);
    this.bend = new Bend(this.view, {
      draft: () => this.draft,
      laid: () => this.laid(),
      refused: (action) => this.now(action),
    });
    this.tools = Object.fromEntries(
      Object.entries(TOOLS).map(([name, { words }]) => [
        name,
        button(words, () => this.attempt(() => this.choose(name)), null, { "aria-pressed": "false" }),
      ]),
    );
    this.points = new PlacePoints(this);
    this.photo = new PlacePhoto(this);
    this.makeFields();
    this.place = this.makePlace();
    this.place.addEventListener("keydown", (event) => this.undoKey(event));
  }

  makeFields() {
    const input = (attributes, action) =>
      make("input", { ...attributes, onchange: () => this.attempt(action) });
    this.zones = make("select", { onchange: () => this.attempt(() => this.openZone(this.zones.value)) });
    this.code = input({ size: 6, maxlength: 8, placeholder: "HT", autocapitalize: "characters" }, () => this.change({}));
    this.zoneName = input({ size: 18, maxlength: 200 }, () => this.change({}));
    this.same = make("select", { onchange: () => this.attempt(() => this.change({ same_points_as: this.same.value })) });
    this.mm = input({ inputmode: "decimal", size: 6, value: "50" }, () => {});
    this.known = make("ul", { class: "face-list" });
    this.next = make("p", { class: "here", role: "status" });
    this.count = make("p", { class: "set-count", role: "status" });
    this.answer = make("p", { class: "answer", role: "status" }); // below the photo, where the hand is
    this.outcome = make("p", { class: "answer", role: "status" }); // of saving, below its button
    this.words = make("div", { class: "quiet", role: "status" });
    this.undo = button("Undo", () => this.attempt(() => this.step(-1)), null, { "aria-keyshortcuts": "Control+Z" });
    this.redo = button("Redo", () => this.attempt(() => this.step(1)), null, { "aria-keyshortcuts": "Control+Y" });
    this.wrong = Object.fromEntries(
      ["code", "photo", "scale", "outline", "points"].map((key) => [key, make("p", { class: "wrong", role: "status" })]),
    );
  }

  makePlace() {
    const row = (...content) => make("div", { class: "row" }, content);
    const label = (words, ...content) => make("label", {}, words, content);
    const step = (title, key, ...content) => make("fieldset", {}, make("legend", {}, title), content, this.wrong[key]);
    const act = (words, action, key, more) => button(words, () => this.attempt(action), key, more);
    this.parts = make(
      "div",
      { class: "face-parts", hidden: true },
      make(
        "div",
        {},
        this.view.svg,
        row(
          act("Done", () => this.done(), "D"),
          act("Take back", () => this.takeBack(), "⌫", { "aria-keyshortcuts": "Backspace" }),
          this.undo,
          this.redo,
          button("Closer", () => this.view.zoom(1.6), "+"),
          button("Wider", () => this.view.zoom(1 / 1.6), "−", { "aria-keyshortcuts": "-" }),
          button("Whole photo", () => this.view.whole(), "0"),
        ),
        this.next,
        this.count,
        this.answer,
        this.words,
      ),
      make(
        "div",
        {},
        step("2. Scale", "scale", row(label("Length, or side of the square, mm", this.mm)), row(this.tools.length, this.tools.square), this.known, quiet("On the part, in the plane of the face. A square also takes out a camera that looked from the side.")),
        step("3. Outline", "outline", row(this.tools.outline, this.tools.hole, act("Remove holes", () => this.change({ holes: [] })))),
        step(
          "4. Points",
          "points",
          row(this.tools.points, this.points.nextFields),
          this.points.fields,
          row(this.tools.grid),
          this.bend.fields,
        ),
      ),
    );
    return make(
      "section",
      { class: "placing", "aria-labelledby": "placing-title" },
      make("h2", { id: "placing-title" }, "Zone on a photo"),
      quiet("For what does not unroll: a joint, a lug, a shell. Mark its points with a crayon, or place them here and print them."),
      row(label("Zone", this.zones)),
      step(
        "1. Photo",
        "photo",
        row(label("Code, on the part", this.code), label("Name", this.zoneName), label("Same points as", this.same)),
        this.wrong.code,
        this.photo.fields,
        this.photo.warning,
      ),
      this.parts,
      row(act("Save zone", () => this.save(), null, { class: "primary" })),
      this.outcome,
    );
  }

  get draft() {
    return this.drawn.now;
  }

  /** Read which zones and photos there are; what is being drawn stays. */
  async show() {
    const found = await ask("/api/photo-zones");
    Object.assign(this, { version: found.version, found });
    if (this.drawn.isSaved && !this.isResumed && this.drawn.resume()) {
      await this.shown();
      this.reply("", "What was drawn before is here again; it is not saved yet.");
    }
    this.isResumed = true;
    this.fillLists();
  }

  fillLists() {
    const option = (value, words) => make("option", { value }, words);
    const { zones } = this.found;
    const named = zones.map((one) => option(one.was, `${one.code} ${one.name}`.trim()));
    this.zones.replaceChildren(option("", "New zone"), ...named);
    this.zones.value = this.drawn.was;
    const others = zones.filter((one) => one.was !== this.drawn.was);
    this.same.replaceChildren(option("", "no other photo"), ...others.map(({ code }) => option(code, code)));
    this.same.value = this.draft.same_points_as;
    this.photo.fill();
  }

  async mayLeave() {
    return this.drawn.isSaved || (await question(["What is drawn is not saved. Discard it?"], "Discard"));
  }

  async openZone(was, more = {}) {
    if (!(await this.mayLeave())) {
      this.zones.value = this.drawn.was;
      return;
    }
    const { was: _, ...known } = this.found.zones.find((one) => one.was === was) ?? {};
    this.drawn.begin({ ...known, ...more }, was);
    this.refused = [];
    this.reply("", "");
    await this.shown();
  }

  /** From the form of the plan: a zone that is to be on a photo. */
  async begin(was, code, name) {
    await this.attempt(async () => {
      await this.show();
      if (this.found.zones.some((one) => one.was === was)) await this.openZone(was);
      else await this.openZone(was, { code, name });
    });
    this.place.scrollIntoView();
    (this.draft.code ? this.photo.list : this.code).focus({ preventScroll: true });
  }

  /** Another draft is on the table: show all of it. */
  async shown() {
    this.code.value = this.draft.code;
    this.zoneName.value = this.draft.name;
    this.points.begin();
    this.choose("", false);
    this.fillLists();
    await this.showPhoto();
    await this.refresh();
  }

  async showPhoto() {
    this.parts.hidden = !(await this.photo.show());
  }

  /** Do something once everything before it is done; what the desk refuses is said, and what is drawn stays. */
  attempt(action) {
    this.turn = this.turn.then(() => this.now(action));
    return this.turn;
  }

  async now(action) {
    say("");
    try {
      await action();
    } catch (error) {
      if (!(error instanceof Fault)) throw error;
      this.reply("bad", error.message);
    }
  }

  reply(kind, ...words) {
    this.outcome.replaceChildren();
    const place = this.parts.hidden ? this.outcome : this.answer;
    place.className = `answer ${kind}`;
    place.replaceChildren(...words);
  }

  conclude(kind, ...words) {
    this.answer.replaceChildren();
    this.outcome.className = `answer ${kind}`;
    this.outcome.replaceChildren(...words);
    this.outcome.scrollIntoView({ block: "nearest" });
  }

  // ---- tools ----

  choose(name, isWanted = true) {
    if (name === "grid" && !this.draft.scale && !this.draft.square) {
      this.reply("bad", "Set the scale first: the grid is even on the face.");
      return;
    }
    this.tool = name;
    for (const [other, element] of Object.entries(this.tools)) element.setAttribute("aria-pressed", String(other === name));
    this.bend.clear();
    if (isWanted) {
      this.reply("", "");
      this.view.svg.focus();
    }
    this.follow();
  }

  /** What can be dragged is what the tool sets. */
  follow() {
    const { outline, points } = this.draft;
    if (this.tool === "points") this.view.open = points.map(([, ...place]) => place);
    else if (this.tool === "outline") this.view.open = outline.map((place) => [...place]);
    else if (this.tool !== "grid" || !this.bend.hasCorners) this.view.open = [];
    this.sayNext();
    this.view.redraw();
  }

  sayNext() {
    const tool = TOOLS[this.tool];
    const { points } = this.draft;
    const count = this.tool === "points" ? points.length : this.view.open.length;
    const what = this.tool === "points" ? ["point", "points"] : ["place is set", "places are set"];
    const left = this.bend.leftOut > 0 ? ` ${this.bend.leftOut} outside the outline are left out.` : "";
    this.count.textContent = this.bend.isLaid
      ? `The grid has ${this.bend.points.length} points.${left}`
      : count > 0 && tool
        ? `${count} ${what[count === 1 ? 0 : 1]}.`
        : "";
    const words = tool ? `${tool.words}: ${tool.ask}` : "Choose what to set.";
    if (this.next.textContent !== words) this.next.textContent = words;
  }

  async set(place) {
    const tool = TOOLS[this.tool];
    if (!tool) this.reply("bad", "Choose first what to set.");
    else if (this.tool === "points") this.points.add(place);
    else if (this.tool === "grid" && this.bend.hasCorners) this.reply("bad", "Drag a handle, or press Done to lay the grid.");
    else {
      this.view.open.push(place);
      if (this.tool === "grid") await this.bend.set(this.view.open.length - 1, place);
      this.sayNext();
      this.view.redraw();
      if (this.view.open.length === tool.ends) await this.done();
    }
  }

  press(open) {
    if (this.tool === "points") this.points.goTo(this.draft.points[open][0]);
  }

  drop(open) {
    const place = rounded(this.view.open[open]);
    if (this.tool === "points") this.points.move(open, place);
    else if (this.tool === "grid" && !this.bend.hasCorners) this.bend.set(open, place);
  }

  async done() {
    const tool = TOOLS[this.tool];
    const places = this.view.open.map(rounded);
    const least = tool?.ends ?? tool?.least ?? 0;
    if (this.tool === "grid") return this.layGrid();
    if (!tool || this.tool === "points") return this.choose("", false);
    if (places.length < least) return this.reply("bad", `${tool.words}: set at least ${least} places.`);
    const mm = Number(this.mm.value.trim().replace(",", ".")) || 0;
    const { scale, holes } = this.draft;
    if (this.tool === "length") this.change({ square: null, scale: [...(scale ?? []), { from: places[0], to: places[1], length_mm: mm }] });
    if (this.tool === "square") this.change({ scale: null, square: { corners: places, side_mm: mm } });
    if (this.tool === "outline") this.change({ outline: places });
    if (this.tool === "hole") this.change({ holes: [...holes, places] });
    return this.choose(this.tool === "length" ? "length" : "", false);
  }

  takeBack() {
    if (this.tool === "points" || this.view.open.length === 0 || this.bend.hasCorners) {
      this.step(-1);
      return;
    }
    this.view.open.pop();
    if (this.tool === "grid") this.bend.takeBack(this.view.open.length);
    this.sayNext();
    this.view.redraw();
  }

  async layGrid() {
    if (!this.bend.isLaid) return this.reply("bad", "Bent grid: set its four corners first.");
    const laid = new Set(this.bend.points.map(([name]) => name));
    const kept = this.draft.points.filter(([name]) => !laid.has(name));
    const lost = this.draft.points.length - kept.length;
    const words = [`${lost} ${lost === 1 ? "point has" : "points have"} a name of this grid. Put the grid in their place?`];
    if (lost > 0 && !(await question(words, "Lay the grid"))) return undefined;
    this.change({ points: [...kept, ...this.bend.points] });
    return this.choose("points", false);
  }

  laid() {
    this.sayNext();
    this.view.redraw();
  }

  // ---- the draft ----

  /** Code and name are as they are in their fields, whatever is undone. */
  get typed() {
    return { code: this.code.value.trim().toUpperCase(), name: this.zoneName.value.trim() };
  }

  change(more) {
    this.drawn.change({ ...this.typed, ...more });
    this.refused = [];
    this.refresh();
  }

  step(by) {
    this.drawn.step(by);
    this.refused = [];
    if (this.draft.photo !== this.photo.facts?.photo) this.showPhoto();
    this.refresh();
  }

  undoKey(event) {
    const by = { z: -1, y: 1 }[event.key.toLowerCase()];
    if (!by || !(event.ctrlKey || event.metaKey) || isWriting(event)) return;
    event.preventDefault();
    event.stopPropagation();
    this.attempt(() => this.step(by));
  }

  key(event) {
    const keys = {
      d: () => this.attempt(() => this.done()),
      Backspace: () => this.attempt(() => this.takeBack()),
      Delete: () => this.attempt(() => this.points.remove()),
      "+": () => this.view.zoom(1.6),
      "-": () => this.view.zoom(1 / 1.6),
      0: () => this.view.whole(),
    };
    const action = keys[event.key.length === 1 ? event.key.toLowerCase() : event.key];
    action?.();
    return action !== undefined;
  }

  /** Show the draft, and have the desk say how its face is seen and what is wrong with it. */
  async refresh() {
    this.same.value = this.draft.same_points_as;
    this.undo.disabled = !this.drawn.canUndo;
    this.redo.disabled = !this.drawn.canRedo;
    this.points.fill();
    this.fillKnown();
    this.follow();
    const asked = this.draft;
    await this.now(async () => {
      const seen = await tell("/api/photo-zones/draft", { zone: { ...asked, ...this.typed } });
      if (asked !== this.draft) return; // another change has come
      this.seen = seen;
      this.words.replaceChildren(...seen.words.map((sentence) => make("p", {}, sentence)));
      this.showMistakes([...seen.mistakes, ...this.refused]);
      this.view.redraw();
    });
  }

  fillKnown() {
    const { scale, square } = this.draft;
    const remove = (i) => {
      const rest = scale.filter((_, n) => n !== i);
      this.change({ scale: rest.length > 0 ? rest : null });
    };
    const items = (scale ?? []).map((one, i) =>
      make(
        "li",
        {},
        `Length ${i + 1}: ${one.length_mm} mm `,
        button("Delete", () => this.attempt(() => remove(i)), null, { "aria-label": `Delete length ${i + 1}` }),
      ),
    );
    this.known.replaceChildren(...items, ...(square ? [make("li", {}, `Square: ${square.side_mm} mm`)] : []));
  }

  /** Put what is wrong beside its step, one sentence each. */
  showMistakes(mistakes) {
    for (const place of Object.values(this.wrong)) place.textContent = "";
    const rest = [];
    for (const { key, words } of mistakes) {
      const place = this.wrong[STEPS[key] ?? key];
      if (!place) rest.push(words);
      else if (!place.textContent.includes(words)) place.textContent += `${place.textContent && " "}${words}.`;
    }
    return rest;
  }

  async save() {
    if (!this.mayWrite()) {
      this.conclude("bad", "Save or discard the changes in the form above first: both write the plan.");
      return;
    }
    const { drawn } = this;
    const draft = { ...this.draft, ...this.typed };
    try {
      await tell("/api/photo-zones", { version: this.version, was: drawn.was, zone: draft });
    } catch (error) {
      if (!(error instanceof Fault)) throw error;
      const { mistakes } = error;
      this.refused = mistakes.map(({ path, words }) => ({ key: path.split(".").at(-1), words }));
      const rest = this.showMistakes(this.refused);
      const words = rest.length < mistakes.length ? ["what is wrong is marked beside the steps.", ...rest] : [error.message];
      this.conclude("bad", `Not saved: ${words.join(" ")}`);
      return;
    }
    const { was } = drawn;
    const found = await ask("/api/photo-zones");
    drawn.saved(found.zones.find((one) => one.code === draft.code).was);
    await this.afterWriting();
    const undo = button("Undo save", () => this.attempt(() => this.undoSave(was)));
    const count = `${draft.points.length} ${draft.points.length === 1 ? "point" : "points"}`;
    this.conclude("", `Saved: zone ${draft.code} with ${count}. Print it from Reports, then collect. `, undo);
  }

  /** What was drawn stays on the table, as something that is not saved. */
  async undoSave(was) {
    await tell("/api/undo");
    this.drawn.was = was;
    this.drawn.change({});
    await this.afterWriting();
    this.conclude("", "The plan is as it was before; what is drawn is not in it.");
  }

  async afterWriting() {
    await desk.readState();
    await this.show();
    await this.written();
  }

  /** What is drawn so far, as lines over the photo; `u` is one pixel of the screen. */
  lines(u) {
    const { points, outline } = this.draft;
    const isGrid = this.tool === "grid" && this.bend.isLaid;
    const look = {
      points: isGrid ? this.bend.points : points,
      pairs: isGrid ? [] : this.seen.pairs,
      open: ["points", "grid"].includes(this.tool) ? [] : this.view.open,
      chosen: this.points.chosen,
    };
    return zoneLines({ ...this.draft, outline: this.tool === "outline" ? [] : outline }, look, u);
  }
}

function quiet(words) {
  return make("p", { class: "quiet" }, words);
}
