// A bent grid while it is laid over a photo: four corners, then nine handles. The desk computes the points.

import { post } from "./desk.js";
import { make } from "./dom.js";

const CORNERS = [0, 6, 8, 2]; // of three by three handles, as they are set: all round, along the stations first

export class Bend {
  #put = Array(9).fill(null); // where the person put a handle
  #isAsking = false;
  #isLate = false; // something was moved while the desk computed
  points = [];
  leftOut = 0;

  /** `draft` gives what is drawn; `laid` is called when the points were computed, `refused` when not. */
  constructor(view, { draft, laid, refused }) {
    Object.assign(this, { view, draft, laid, refused });
    const count = (value) =>
      make("input", { type: "number", min: 1, max: 5000, value, onchange: () => this.ask() });
    this.stations = count(6);
    this.positions = count(5);
    this.first = make("input", { value: "01-01", size: 6, onchange: () => this.ask() });
    const label = (words, input) => make("label", {}, words, input);
    this.fields = make(
      "div",
      { class: "row" },
      label("Stations", this.stations),
      label("Positions", this.positions),
      label("First point", this.first),
    );
  }

  /** Begin again, without corners. */
  clear() {
    this.#put.fill(null);
    this.points = [];
    this.leftOut = 0;
  }

  get isLaid() {
    return this.points.length > 0;
  }

  get hasCorners() {
    return CORNERS.every((n) => this.#put[n] !== null);
  }

  /** A corner was set, or, once all are, a handle is moved. */
  set(open, place) {
    this.#put[this.hasCorners ? open : CORNERS[open]] = [...place];
    return this.ask();
  }

  /** The last of `count + 1` corners was taken back. */
  takeBack(count) {
    this.#put[CORNERS[count]] = null;
  }

  /** Have the points computed; what is moved meanwhile is asked for afterwards. */
  async ask() {
    if (!this.hasCorners) return;
    this.#isLate = this.#isAsking;
    if (this.#isAsking) return;
    this.#isAsking = true;
    try {
      do {
        this.#isLate = false;
        await this.#lay();
      } while (this.#isLate);
    } finally {
      this.#isAsking = false;
    }
  }

  async #lay() {
    const count = [this.stations, this.positions].map((one) => Math.trunc(Number(one.value)) || 0);
    const sent = { zone: this.draft(), bend: this.#put, count, first: this.first.value.trim() };
    await this.refused(async () => {
      const { points, handles, left_out: leftOut } = await post("/api/photo-zones/grid", sent);
      if (!this.hasCorners) return; // begun again meanwhile
      Object.assign(this, { points, leftOut });
      this.view.open = handles.map((place, n) => this.#put[n] ?? place);
      this.laid();
    });
  }
}
