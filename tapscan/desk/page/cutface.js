// A photo of a cut, measured by clicks: scale, outer surface, what is measured. The desk computes every number.

import { ask, post } from "./desk.js";
import { draw, make } from "./dom.js";
import { withOrigin } from "./origin.js";
import { PhotoPane, labelled, quiet, row } from "./photopane.js";
import { question } from "./question.js";

// How points are set: `ends` counts them, and the last one finishes; without it the person does.
const TOOLS = {
  bar: { words: "Two ends of a length", ask: "Click both ends of the known length.", ends: 2 },
  square: { words: "Four corners of a square", ask: "Click the four corners, all round.", ends: 4 },
  surface: { words: "Outer surface", ask: "Click along the outer surface, then Done.", least: 2 },
  region: { words: "Region to search", ask: "Click the corners of the region, then Done.", least: 3, isClosed: true },
};
const LAYER = "Click one point on each face of it; again at as many places as wanted.";
const OUTLINE = "Click round its outline, then Done; again for each further one.";
const LINE = "Click along it from end to end, then Done.";
const MEASURES = {
  "wall thickness": { words: "Wall thickness", ask: LAYER, ends: 2, isMany: true },
  "adhesive thickness": { words: "Adhesive thickness", ask: LAYER, ends: 2, isMany: true },
  delamination: { words: "Delamination", ask: LINE, least: 2, isBelow: true },
  disbond: { words: "Disbond", ask: LINE, least: 2, isBelow: true },
  crack: { words: "Crack", ask: LINE, least: 2, isBelow: true },
  void: { words: "Void", ask: OUTLINE, least: 3, isMany: true, isClosed: true },
  "planar void": { words: "Planar void", ask: OUTLINE, least: 3, isMany: true, isClosed: true },
  "resin pool": { words: "Resin pool", ask: OUTLINE, least: 3, isMany: true, isClosed: true },
  wrinkle: { words: "Wrinkle", ask: "Click along one ply, from where it leaves its level to where it is back (4 points or more), then Done.", least: 4, isBelow: true },
};
const ALL = { ...TOOLS, ...MEASURES };
const TITLE =
  "Photo of the cut. Arrow keys move the cross, with Shift by one pixel. Enter sets a point, D is done, Backspace takes one back.";

export class CutFace extends PhotoPane {
  face = null; // what the desk knows of the photo
  extended = -1; // the measure that further places are added to

  /** `logged` is called after findings were written. */
  constructor(logged) {
    super(ALL, TITLE, {
      point: (place) => this.attempt(() => this.point(place)),
      drawn: (unit) => this.drawn(unit),
    });
    this.logged = logged;
    this.photos = make("select", { onchange: () => this.attempt(() => this.open(this.photos.value)) });
    this.mm = this.input({ inputmode: "decimal", value: "20", size: 6 }, () => this.scaled());
    this.cut = this.input({ placeholder: "BM-07", size: 10 }, () => this.changed());
    this.who = this.input({ maxlength: 200, size: 14 }, () => this.changed());
    this.list = make("ol", { class: "face-list" });
    this.end = make("div", {});
    this.parts = this.makeParts();
    this.place = make(
      "section",
      { class: "face", "aria-labelledby": "face-title" },
      make("h2", { id: "face-title" }, "Measure a photo of a cut"),
      row(labelled("Photo", this.photos)),
      this.parts,
    );
  }

  makeParts() {
    const step = (title, ...content) => make("fieldset", {}, make("legend", {}, title), content);
    const find = (words, what) => this.act(words, () => this.propose(what));
    return make(
      "div",
      { class: "face-parts", hidden: true },
      this.photoPart(),
      make(
        "div",
        {},
        step("1. Scale", row(labelled("Known length, mm", this.mm)), row(this.tools.bar, this.tools.square), quiet("In the plane of the cut. A square also takes out a camera that looked from the side: ", squares(), ".")),
        step("2. The cut", row(labelled("Which cut", this.cut), labelled("Who measures", this.who)), row(this.tools.surface)),
        step("3. Measure", row(Object.keys(MEASURES).map((name) => this.tools[name]))),
        step("4. Proposals by the computer", row(this.tools.region), row(find("Find dark voids", "voids"), find("Find adhesive faces", "adhesive"), find("Find the worst wrinkle", "wrinkle")), quiet("An adhesive line takes four corners, the first two along it. A proposal counts only once you accept it.")),
        make("h3", {}, "Measured"),
        this.list,
        this.end,
      ),
    );
  }

  /** Read which photos there are; `photo` is opened, or the one that is open stays. */
  async show(photo = this.face?.photo) {
    const found = await ask("/api/cut-photos");
    this.photos.replaceChildren(
      make("option", { value: "" }, found.length > 0 ? "Choose a photo" : "No photo in photos/ yet: add one above"),
      ...found.map((one) => make("option", { value: one.photo }, `${one.photo.slice(7)}${one.is_marked ? " (measured)" : ""}`)),
    );
    const known = found.some((one) => one.photo === photo);
    this.photos.value = known ? photo : "";
    if (known && photo !== this.face?.photo) await this.open(photo);
  }

  path(more = "") {
    return `/api/cut-photos/${encodeURIComponent(this.face.photo.slice(7))}${more}`;
  }

  async open(photo) {
    this.parts.hidden = true; // until the photo is there: a place that is set before would be lost
    this.face = null;
    this.view.open = [];
    if (photo === "") return;
    const face = await ask(`/api/cut-photos/${encodeURIComponent(photo.slice(7))}`);
    this.answer.replaceChildren();
    this.face = face;
    const { scale, cut, who } = face.marked ?? {};
    if (scale) this.mm.value = String(scale.length_mm);
    this.cut.value = cut ?? "";
    this.who.value = who ?? this.who.value;
    this.parts.hidden = false;
    this.view.show(`/cut-photos/${encodeURIComponent(photo.slice(7))}`, face.width, face.height);
    this.take(face);
    this.choose(scale ? (face.marked.surface_px.length > 1 ? "" : "surface") : "bar", false);
  }

  take(face) {
    this.face = face;
    this.fillList();
    this.view.redraw();
  }

  choose(name, isWanted = true) {
    const tool = ALL[name];
    if (isWanted && !this.face.marked && name !== "bar" && name !== "square") {
      this.reply("bad", "Set the scale first: type the known length, then click its ends in the photo.");
      return;
    }
    if (isWanted && tool.isBelow && this.face.marked.surface_px.length < 2) {
      this.reply("bad", "Click the outer surface first: depth is measured from it.");
      return;
    }
    this.hold(name);
    this.extended = -1;
    this.view.open = [];
    if (isWanted) {
      this.answer.replaceChildren();
      this.view.svg.focus();
    }
    this.sayNext();
    this.view.redraw();
  }

  sayNext() {
    const count = this.view.open.length;
    const set = count > 0 ? `${count} ${count === 1 ? "point is" : "points are"} set.` : "";
    this.sayTool(ALL[this.tool], "Choose what to measure.", set);
  }

  async point(place) {
    const tool = ALL[this.tool];
    if (!tool) {
      this.reply("bad", "Choose first what to measure.");
      return;
    }
    this.view.open.push(place);
    this.sayNext();
    this.view.redraw();
    if (this.view.open.length === tool.ends) await this.done();
  }

  takeBack() {
    this.view.open.pop();
    this.sayNext();
    this.view.redraw();
  }

  /** The points that are set are all: keep them, measured. */
  async done() {
    const points = this.view.open;
    const tool = ALL[this.tool];
    const least = tool?.ends ?? tool?.least;
    if (!tool || points.length < least) {
      if (tool) this.reply("bad", `${tool.words}: set at least ${least} points.`);
      return;
    }
    if (this.tool === "bar" || this.tool === "square") await this.save({ scale: this.scaleOf(points) });
    else if (this.tool === "surface" || this.tool === "region") await this.save({ [`${this.tool}_px`]: points });
    else await this.add(points);
    this.view.open = [];
    if (this.tool in TOOLS) this.choose("", false);
    if (this.face.marked.surface_px.length < 2) this.choose("surface", false);
    this.sayNext();
    this.view.redraw();
  }

  scaleOf(points) {
    return { points_px: points, length_mm: number(this.mm.value) };
  }

  async scaled() {
    const scale = this.face?.marked?.scale;
    if (scale) await this.save({ scale: { ...scale, length_mm: number(this.mm.value) } });
  }

  async changed() {
    if (this.face?.marked) await this.save({});
  }

  async add(points) {
    const marks = [...this.face.marked.marks];
    const at = marks[this.extended];
    if (at && ALL[this.tool].isMany) marks[this.extended] = { ...at, px: [...at.px, points] };
    else marks.push({ kind: this.tool, px: [points], where: "" });
    await this.save({ marks });
    this.extended = at && ALL[this.tool].isMany ? this.extended : marks.length - 1;
    this.reply("", `${ALL[this.tool].words}: ${this.face.words[this.extended].join(", ")}.`);
  }

  async save(change) {
    const { scale, surface_px, region_px, marks } = this.face.marked ?? { surface_px: [], region_px: [], marks: [] };
    const sent = { scale, surface_px, region_px, marks, cut: this.cut.value.trim(), who: this.who.value.trim() };
    this.take(await post(this.path(), { ...sent, ...change, was: this.face.was }));
    this.reply("", `Kept in ${this.face.kept}.`);
  }

  async mark(number, change) {
    const marks = this.face.marked.marks.map((one, i) => (i === number ? { ...one, ...change } : one));
    await this.save({ marks });
  }

  async remove(number) {
    const { kind } = this.face.marked.marks[number];
    if (!(await question([`Delete measure ${number + 1}, ${kind}?`], "Delete"))) return;
    this.extended = -1;
    await this.save({ marks: this.face.marked.marks.filter((_, i) => i !== number) });
  }

  async propose(find) {
    if (!this.face.marked || this.face.marked.region_px.length < 3) {
      this.reply("bad", "Draw the region to search first.");
      return;
    }
    const face = await post(this.path("/proposals"), { find, was: this.face.was });
    this.extended = -1;
    this.take(face);
    const count = face.proposed;
    this.reply("", count > 0 ? "Proposals are drawn with broken lines: accept or delete each in the list." : "Nothing was found in the region.");
  }

  async log() {
    const marks = [];
    for (const one of this.face.marked.marks) {
      const row = one.state === "accepted" && one.where ? await withOrigin(one, this.face.edge_question) : one;
      if (row === null) return;
      marks.push(row);
    }
    if (marks.some((one, i) => one !== this.face.marked.marks[i])) await this.save({ marks });
    const { added, left_out: left, file } = await post(this.path("/findings"), { was: this.face.was });
    const words = `${file}: ${added} ${added === 1 ? "finding" : "findings"} added.`;
    this.reply("", words, make("ul", {}, left.map((sentence) => make("li", {}, sentence))));
    await this.logged();
  }

  fillList() {
    const focused = document.activeElement?.dataset?.key;
    const marks = this.face.marked?.marks ?? [];
    this.list.replaceChildren(...marks.map((one, i) => this.item(one, i)));
    this.end.replaceChildren(
      ...[
        marks.length === 0 && make("p", {}, "Nothing yet."),
        marks.some((one) => one.kind === "porosity") && quiet(this.face.polished),
        marks.length > 0 &&
          this.act("Write findings", () => this.log(), null, { class: "primary", "data-key": "log" }),
      ].filter(Boolean),
    );
    if (focused) this.parts.querySelector(`[data-key="${focused}"]`)?.focus({ preventScroll: true });
  }

  item(one, i) {
    const isProposed = one.state === "proposed";
    const where = make("input", {
      value: one.where,
      size: 12,
      placeholder: "BM-07-05",
      "data-key": `where-${i}`,
      "aria-label": `Place of measure ${i + 1}, ${one.kind}`,
      onchange: () => this.attempt(() => this.mark(i, { where: where.value.trim() })),
    });
    const act = (words, action) =>
      this.act(words, action, null, {
        "data-key": `${words}-${i}`,
        "aria-label": `${words} measure ${i + 1}, ${one.kind}`,
      });
    return make(
      "li",
      { class: isProposed ? "proposed" : "" },
      make("strong", {}, isProposed ? `${one.kind}, proposed` : one.kind),
      make("span", {}, `: ${this.face.words[i].join(", ")}`),
      make(
        "div",
        { class: "row" },
        one.kind !== "wall thickness" && make("label", {}, "Place", where),
        one.kind === "adhesive thickness" && make("label", {}, "Face of the joint", this.faceOf(one, i)),
        isProposed && act("Accept", () => this.mark(i, { state: "accepted" })),
        act("Delete", () => this.remove(i)),
      ),
    );
  }

  /** Which face of a joint an adhesive is on; the faces are drawn side by side on the section page. */
  faceOf(one, i) {
    const faces = { "": "only one", above: "above", below: "below" };
    const box = make(
      "select",
      { "data-key": `face-${i}`, onchange: () => this.attempt(() => this.mark(i, { face: box.value })) },
      Object.entries(faces).map(([value, words]) =>
        make("option", { value, selected: value === (one.face ?? "") }, words),
      ),
    );
    return box;
  }

  /** Everything that is marked, as lines over the photo; `u` is one pixel of the screen. */
  drawn(u) {
    if (!this.face) return [];
    const { scale, surface_px: surface, region_px: region, marks } = this.face.marked ?? { marks: [] };
    const line = (points, name, isClosed) => {
      const d = `M${points.map((point) => point.join(" ")).join("L")}${isClosed ? "Z" : ""}`;
      return [draw("path", { class: `${name} halo`, d }), draw("path", { class: name, d })];
    };
    const tag = ([x, y], words) =>
      draw("text", { class: "face-tag", x: x + 6 * u, y: y - 6 * u, "font-size": 15 * u, "stroke-width": 4 * u }, words);
    const named = (points, name, words, isClosed) =>
      points?.length > 1 ? [line(points, `face-line ${name}`, isClosed), tag(points[0], words)] : [];
    const tool = ALL[this.tool];
    return [
      named(scale?.points_px, "base", `${scale?.length_mm} mm`, scale?.points_px.length === 4),
      named(surface, "base", "outer surface"),
      named(region, "proposed", "region", true),
      marks.map((one, i) => [
        one.px.map((points) => line(points, `face-line ${one.state}`, MEASURES[one.kind]?.isClosed)),
        one.px.length > 0 && tag(one.px[0][0], String(i + 1)),
      ]),
      this.view.open.length > 1 ? line(this.view.open, "face-line accepted", tool?.isClosed) : [],
    ]
      .flat(Infinity)
      .filter(Boolean);
  }
}

function squares() {
  return make("a", { href: "/papers/scale_squares_A4.pdf", target: "_blank", rel: "noopener" }, "squares to print and cut out");
}

/** A number as typed, with a decimal comma too; what is none is refused by the desk. */
function number(text) {
  const value = Number(text.trim().replace(",", "."));
  return text.trim() !== "" && Number.isFinite(value) ? value : 0;
}
