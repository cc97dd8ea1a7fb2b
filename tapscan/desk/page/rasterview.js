// Which part of a zone is seen and how large: px of the canvas for mm of the unrolled zone, and back.

import { lengthOf, stepAt } from "./surface.js";

export const [LEFT, TOP] = [38, 26]; // px for station and position numbers
const MOST_CELL = 46; // px: nearer, nothing more is seen

/** Who draws it has a `redraw`. */
export class RasterView {
  size = null; // px of the canvas
  view = null; // px for each mm, and the place at the left upper corner; null for the whole zone

  /** `look` has the `zone`. */
  constructor(look) {
    this.look = look;
  }

  /** The view that shows all: px for each mm, and the place at the left upper corner. */
  whole() {
    const { zone } = this.look;
    const step = Math.max(stepAt(zone, 0), stepAt(zone, lengthOf(zone)));
    const perMm = Math.min(
      (this.size[0] - LEFT) / lengthOf(zone),
      (this.size[1] - TOP) / (zone.positions * step),
    );
    return { perMm, x: 0, s: -step / 2 };
  }

  px(x, s) {
    const { perMm, x: x0, s: s0 } = this.view;
    return [LEFT + (x - x0) * perMm, TOP + (s - s0) * perMm];
  }

  mm(px, py) {
    const { perMm, x, s } = this.view;
    return [x + (px - LEFT) / perMm, s + (py - TOP) / perMm];
  }

  cell() {
    const { zone } = this.look;
    return Math.min(zone.station_pitch_mm, stepAt(zone, 0)) * this.view.perMm;
  }

  zoom(times, u = (LEFT + this.size[0]) / 2, v = (TOP + this.size[1]) / 2) {
    const [x, s] = this.mm(u, v);
    const least = this.whole().perMm;
    const most = (MOST_CELL / this.cell()) * this.view.perMm;
    const perMm = Math.min(Math.max(this.view.perMm * times, least), Math.max(most, least));
    this.place({ perMm, x: x - (u - LEFT) / perMm, s: s - (v - TOP) / perMm });
  }

  pan(du, dv) {
    const { perMm, x, s } = this.view;
    this.place({ perMm, x: x - du / perMm, s: s - dv / perMm });
  }

  /** Take a view, kept on the zone. */
  place({ perMm, x, s }) {
    const { zone } = this.look;
    const whole = this.whole();
    const [wide, high] = [(this.size[0] - LEFT) / perMm, (this.size[1] - TOP) / perMm];
    const step = -2 * whole.s;
    const within = (value, low, high) => Math.min(Math.max(value, low), Math.max(high, low));
    this.view = {
      perMm,
      x: within(x, 0, lengthOf(zone) - wide),
      s: within(s, whole.s, whole.s + zone.positions * step - high),
    };
    this.redraw();
  }

  fit() {
    this.view = null;
    this.redraw();
  }

  /** Bring a point into the view. */
  follow([station, position]) {
    if (!this.view) return;
    const { zone } = this.look;
    const x = (station + 0.5) * zone.station_pitch_mm;
    const [u, v] = this.px(x, position * stepAt(zone, x));
    const off = (at, low, high) => (at < low ? low - at : at > high ? high - at : 0);
    const [du, dv] = [off(u, LEFT + 20, this.size[0] - 20), off(v, TOP + 20, this.size[1] - 20)];
    if (du || dv) this.pan(du, dv);
    else this.redraw();
  }
}
