// Single points of a zone on a photo: placed, chosen, renamed, deleted.

import { button, make } from "./dom.js";
import { nextName, pointName } from "./drawn.js";

export class PlacePoints {
  chosen = ""; // the name of a point

  /**
   * `owner` has the `draft` and its `view`; it can `change` the draft, `reply`, `attempt` an action, and `choose`
   * a tool.
   */
  constructor(owner) {
    this.owner = owner;
    const input = (attributes, action) =>
      make("input", { ...attributes, size: 6, onchange: () => owner.attempt(action) });
    this.next = input({ value: "01-01" }, () => this.nameNext(this.next.value));
    this.list = make("select", { onchange: () => owner.attempt(() => this.goTo(this.list.value)) });
    this.renamed = input({}, () => this.rename(this.renamed.value));
    const label = (words, content) => make("label", {}, words, content);
    const act = (words, action) => button(words, () => owner.attempt(action));
    this.nextFields = [label("Next point", this.next), act("Next station", () => this.nextStation())];
    this.fields = make(
      "div",
      { class: "row" },
      label("Point", this.list),
      label("New name", this.renamed),
      act("Delete point", () => this.remove()),
    );
  }

  get points() {
    return this.owner.draft.points;
  }

  named(text) {
    const name = pointName(text, this.owner.typed.code);
    if (name === null) this.owner.reply("bad", `“${text}” is not a point: write it like 01-01.`);
    return name;
  }

  nameNext(text) {
    const name = this.named(text);
    if (name) this.next.value = nextName(name, this.points);
  }

  /** Another draft is on the table. */
  begin() {
    this.chosen = "";
    this.next.value = nextName(this.points.at(-1)?.[0] ?? "01-01", this.points);
  }

  nextStation() {
    const last = this.points.at(-1)?.[0] ?? "00-01";
    this.nameNext(`${Number(last.split("-")[0]) + 1}-01`);
    this.owner.choose("points");
  }

  add(place) {
    const name = this.named(this.next.value);
    if (!name) return;
    const free = nextName(name, this.points);
    this.owner.change({ points: [...this.points, [free, ...place]] });
    this.goTo(free);
    this.nameNext(free);
  }

  move(at, place) {
    this.owner.change({ points: this.points.map((one, i) => (i === at ? [one[0], ...place] : one)) });
  }

  /** Choose a point by its name, and have the cross there. */
  goTo(name) {
    const point = this.points.find(([one]) => one === name);
    this.chosen = point ? name : "";
    this.list.value = this.renamed.value = this.chosen;
    const { view, tool } = this.owner;
    if (point) {
      view.cross = point.slice(1);
      view.follow();
      if (tool !== "points") this.owner.choose("points", false);
    }
    view.redraw();
  }

  rename(text) {
    const before = this.chosen;
    const name = this.isChosen() && this.named(text);
    if (!name || name === before) return;
    if (this.points.some(([one]) => one === name)) {
      this.owner.reply("bad", `${name} is there already: give each point its own name.`);
      return;
    }
    this.owner.change({ points: this.points.map((one) => (one[0] === before ? [name, ...one.slice(1)] : one)) });
    this.owner.reply("", `${before} is now ${name}.`);
    this.goTo(name);
  }

  remove() {
    if (!this.isChosen()) return;
    this.owner.reply("", `${this.chosen} is deleted; Undo brings it back.`);
    this.owner.change({ points: this.points.filter(([name]) => name !== this.chosen) });
    this.goTo("");
  }

  isChosen() {
    if (this.chosen === "") this.owner.reply("bad", "Choose a point first.");
    return this.chosen !== "";
  }

  /** The draft changed: list its points. */
  fill() {
    const option = (value, words) => make("option", { value }, words);
    this.list.replaceChildren(option("", "none"), ...this.points.map(([name]) => option(name, name)));
    if (!this.points.some(([name]) => name === this.chosen)) this.chosen = "";
    this.list.value = this.renamed.value = this.chosen;
  }
}
