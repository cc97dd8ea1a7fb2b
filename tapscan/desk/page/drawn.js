// What is drawn of a zone on a photo, step by step: each change is a new draft, so that undo and redo are places
// in a list. It is kept while the tab lives, so that a page loaded again has it.

const KEPT = "zone on a photo";

export const EMPTY = {
  code: "",
  name: "",
  same_points_as: "", // the code of another zone
  photo: "",
  photo_sha256: "",
  scale: null,
  square: null,
  outline: [],
  holes: [],
  points: [],
};

export class Drawn {
  #steps = [EMPTY];
  #at = 0;
  was = ""; // the zone's number in the plan; "" for a new one
  isSaved = true;

  get now() {
    return this.#steps[this.#at];
  }

  get canUndo() {
    return this.#at > 0;
  }

  get canRedo() {
    return this.#at < this.#steps.length - 1;
  }

  /** Begin with a zone of the plan, or with a new one. */
  begin(draft, was = "") {
    this.#steps = [{ ...EMPTY, ...draft }];
    this.#at = 0;
    this.was = was;
    this.#keep(true);
  }

  change(more) {
    this.#steps = [...this.#steps.slice(0, this.#at + 1), { ...this.now, ...more }];
    this.#at = this.#steps.length - 1;
    this.#keep(false);
  }

  step(by) {
    this.#at = Math.min(Math.max(this.#at + by, 0), this.#steps.length - 1);
    this.#keep(false);
  }

  saved(was) {
    this.was = was;
    this.#keep(true);
  }

  #keep(isSaved) {
    this.isSaved = isSaved;
    if (isSaved) sessionStorage.removeItem(KEPT);
    else sessionStorage.setItem(KEPT, JSON.stringify({ draft: this.now, was: this.was }));
  }

  /** Take up what was drawn before the page was loaded again; false when there is nothing. */
  resume() {
    const kept = sessionStorage.getItem(KEPT);
    if (kept === null) return false;
    const { draft, was } = JSON.parse(kept);
    this.begin(draft, was);
    this.#keep(false);
    return true;
  }
}

/** A place in tenths of a pixel: finer than any finger. */
export function rounded(place) {
  return place.map((value) => Math.round(value * 10) / 10);
}

/** A point's name as the plan writes it: 3-5, HT-03-05 and 03-05 are one; null when it names no point. */
export function pointName(text, code) {
  const short = text.trim().toUpperCase().replace(new RegExp(`^${code}-`), "");
  const found = /^0*([1-9]\d*)-0*([1-9]\d*)$/.exec(short);
  return found && found.slice(1).map((one) => one.padStart(2, "0")).join("-");
}

/** The name after this one that no point has: the next position of its station. */
export function nextName(name, points) {
  const taken = new Set(points.map(([one]) => one));
  const [station, position] = name.split("-");
  for (let p = Number(position); ; p += 1) {
    const next = `${station}-${String(p).padStart(2, "0")}`;
    if (!taken.has(next)) return next;
  }
}
