// A zone on a photo, made by clicks: photo, scale, outline, points. The desk computes every number.

import { Bend } from "./bend.js";
import { ask, post } from "./desk.js";
import { isWriting, make } from "./dom.js";
import { Drawn, rounded } from "./drawn.js";
import { PhotoPane, labelled, quiet, row } from "./photopane.js";
import { zoneLines } from "./placelines.js";
import { PlacePhoto } from "./placephoto.js";
import { PlacePoints } from "./placepoints.js";
import { PlaceSave } from "./placesave.js";
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
const KEYS = "Arrow keys move the cross, with Shift by one pixel. Enter sets a place or chooses a point, M picks it up and puts it down, D is done, Backspace takes one back, Delete deletes the chosen point.";

export class Placing extends PhotoPane {
  drawn = new Drawn();
  seen = { pairs: [] }; // what the desk says of the draft
  moreKeys = { Delete: () => this.attempt(() => this.points.remove()) };

  /** `mayWrite` says whether nothing else is being written; `written` is called after the plan was. */
  constructor({ mayWrite, written }) {
    super(TOOLS, `Photo of the zone. ${KEYS}`, {
      point: (place) => this.attempt(() => this.set(rounded(place))),
      chosen: (open) => this.attempt(() => this.press(open)),
      dragged: (open) => this.tool === "grid" && this.bend.hasCorners && this.bend.set(open, this.view.open[open]),
      dropped: (open) => this.attempt(() => this.drop(open)),
      drawn: (unit) => this.lines(unit),
    });
    this.count.className = "set-count";
    this.bend = new Bend(this.view, {
      draft: () => this.draft,
      laid: () => this.laid(),
      refused: (action) => this.now(action),
    });
    this.saving = new PlaceSave(this, { mayWrite, written });
    this.points = new PlacePoints(this);
    this.photo = new PlacePhoto(this);
    this.makeFields();
    this.place = this.makePlace();
    this.place.addEventListener("keydown", (event) => this.undoKey(event));
  }

  makeFields() {
    this.zones = make("select", { onchange: () => this.attempt(() => this.openZone(this.zones.value)) });
    this.code = this.input({ size: 6, maxlength: 8, placeholder: "HT", autocapitalize: "characters" }, () => this.change({}));
    this.zoneName = this.input({ size: 18, maxlength: 200 }, () => this.change({}));
    this.same = make("select", { onchange: () => this.attempt(() => this.change({ same_points_as: this.same.value })) });
    this.mm = this.input({ inputmode: "decimal", size: 6, value: "50" }, () => {});
    this.known = make("ul", { class: "face-list" });
    this.words = make("div", { class: "quiet", role: "status" });
    this.undo = this.act("Undo", () => this.step(-1), null, { "aria-keyshortcuts": "Control+Z" });
    this.redo = this.act("Redo", () => this.step(1), null, { "aria-keyshortcuts": "Control+Y" });
  }

  makePlace() {
    const { wrong } = this.saving;
    const step = (title, key, ...content) => make("fieldset", {}, make("legend", {}, title), content, wrong[key]);
    this.parts = make(
      "div",
      { class: "face-parts", hidden: true },
      this.photoPart([this.undo, this.redo], [this.words]),
      make(
        "div",
        {},
        step("2. Scale", "scale", row(labelled("Length, or side of the square, mm", this.mm)), row(this.tools.length, this.tools.square), this.known, quiet("On the part, in the plane of the face. A square also takes out a camera that looked from the side.")),
        step("3. Outline", "outline", row(this.tools.outline, this.tools.hole, this.act("Remove holes", () => this.change({ holes: [] })))),
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
      row(labelled("Zone", this.zones)),
      step(
        "1. Photo",
        "photo",
        row(labelled("Code, on the part", this.code), labelled("Name", this.zoneName), labelled("Same points as", this.same)),
        wrong.code,
        this.photo.fields,
        this.photo.warning,
      ),
      this.parts,
      row(this.act("Save zone", () => this.saving.save(), null, { class: "primary" })),
      this.saving.outcome,
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
    this.saving.refused = [];
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

  /** Below the photo, where the hand is; while there is none, where saving answers. */
  reply(kind, ...words) {
    if (this.parts.hidden) this.saving.conclude(kind, ...words);
    else {
      this.saving.outcome.replaceChildren();
      super.reply(kind, ...words);
    }
  }

  // ---- tools ----

  choose(name, isWanted = true) {
    if (name === "grid" && !this.draft.scale && !this.draft.square) {
      this.reply("bad", "Set the scale first: the grid is even on the face.");
      return;
    }
    this.hold(name);
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
    const set = count > 0 && tool ? `${count} ${what[count === 1 ? 0 : 1]}.` : "";
    const laid = this.bend.isLaid && `The grid has ${this.bend.points.length} points.${left}`;
    this.sayTool(tool, "Choose what to set.", laid || set);
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
    this.saving.refused = [];
    this.refresh();
  }

  step(by) {
    this.drawn.step(by);
    this.saving.refused = [];
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
      const seen = await post("/api/photo-zones/draft", { zone: { ...asked, ...this.typed } });
      if (asked !== this.draft) return; // another change has come
      this.seen = seen;
      this.words.replaceChildren(...seen.words.map((sentence) => make("p", {}, sentence)));
      this.saving.showMistakes(seen.mistakes);
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
        this.act("Delete", () => remove(i), null, { "aria-label": `Delete length ${i + 1}` }),
      ),
    );
    this.known.replaceChildren(...items, ...(square ? [make("li", {}, `Square: ${square.side_mm} mm`)] : []));
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
