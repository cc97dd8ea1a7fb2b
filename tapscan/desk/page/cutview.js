// The photo of a cut: zoomed, moved, and pointed at by finger, mouse or keyboard. It draws and measures nothing.

import { draw } from "./dom.js";

const ARROWS = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };
const NEAR_PX = 22; // half of a target for a finger
const STILL_PX = 8; // a finger that moves less than this taps
const CLOSEST_PX = 20; // across the whole view

export class CutView {
  #held = new Map(); // pointers that are down: id to their place on the screen
  #moving = null; // what the one pointer does: { from, open, isStill }
  #size = [1, 1];
  #seen = { x: 0, y: 0, w: 1, h: 1 };
  cross = [0, 0];
  open = []; // points that are being set; each can be dragged

  /** `owner` answers: point(place) when one is set, dragged() when one was dragged, key(event) for other keys. */
  constructor(owner) {
    this.owner = owner;
    this.picture = draw("image", { preserveAspectRatio: "none" });
    this.lines = draw("g", {});
    this.svg = draw(
      "svg",
      { class: "face-photo", tabindex: 0, role: "application", onkeydown: (event) => this.#key(event) },
      this.picture,
      this.lines,
    );
    this.svg.addEventListener("pointerdown", (event) => this.#down(event));
    this.svg.addEventListener("pointermove", (event) => this.#move(event));
    this.svg.addEventListener("pointerup", (event) => this.#up(event, true));
    this.svg.addEventListener("pointercancel", (event) => this.#up(event, false));
    this.svg.addEventListener("wheel", (event) => this.#wheel(event), { passive: false });
    new ResizeObserver(() => this.redraw()).observe(this.svg);
  }

  show(source, width, height) {
    this.#size = [width, height];
    // The middle of the first pixel is 0, 0.
    const place = { href: source, x: -0.5, y: -0.5, width, height };
    for (const [name, value] of Object.entries(place)) this.picture.setAttribute(name, value);
    this.cross = [Math.round(width / 2), Math.round(height / 2)];
    this.whole();
  }

  whole() {
    const [w, h] = this.#size;
    this.#seen = { x: -0.5, y: -0.5, w, h };
    this.redraw();
  }

  /** Show more closely (factor above 1) or less; what is at `about` stays where it is. */
  zoom(factor, about = this.cross) {
    const [width, height] = this.#size;
    const { x, y, w } = this.#seen;
    const wide = Math.min(Math.max(w / factor, Math.min(CLOSEST_PX, width)), width);
    const share = wide / w;
    this.#seen = {
      w: wide,
      h: (wide * height) / width,
      x: about[0] - (about[0] - x) * share,
      y: about[1] - (about[1] - y) * share,
    };
    this.#stay();
    this.redraw();
  }

  /** Keep the view on the photo. */
  #stay() {
    const [width, height] = this.#size;
    const seen = this.#seen;
    seen.x = Math.min(Math.max(seen.x, -0.5), width - 0.5 - seen.w);
    seen.y = Math.min(Math.max(seen.y, -0.5), height - 0.5 - seen.h);
  }

  /** Pixels of the photo for each pixel of the screen. */
  get unit() {
    const matrix = this.svg.getScreenCTM();
    return matrix && matrix.a > 0 ? 1 / matrix.a : 1;
  }

  redraw() {
    const { x, y, w, h } = this.#seen;
    this.svg.setAttribute("viewBox", `${x} ${y} ${w} ${h}`);
    const u = this.unit;
    const sign = ([a, b], name, size) => [
      draw("path", { class: `${name} halo`, d: crossed(a, b, size * u) }),
      draw("path", { class: name, d: crossed(a, b, size * u) }),
    ];
    this.lines.replaceChildren(
      ...this.owner.drawn(u),
      ...this.open.flatMap((point) => sign(point, "face-open", 9)),
      ...sign(this.cross, "face-cross", 16),
    );
  }

  #at(event) {
    const { x, y } = new DOMPoint(event.clientX, event.clientY).matrixTransform(
      this.svg.getScreenCTM().inverse(),
    );
    return this.#onPhoto([x, y]);
  }

  #onPhoto([x, y]) {
    const [width, height] = this.#size;
    const rounded = (value, most) => Math.round(Math.min(Math.max(value, 0), most - 1) * 100) / 100;
    return [rounded(x, width), rounded(y, height)];
  }

  #down(event) {
    if (event.button !== 0) return;
    this.svg.setPointerCapture(event.pointerId);
    this.#held.set(event.pointerId, [event.clientX, event.clientY]);
    if (this.#held.size > 1) {
      this.#moving = null; // two fingers zoom
      return;
    }
    const at = this.#at(event);
    const away = this.open.map(([x, y]) => Math.hypot(x - at[0], y - at[1]) / this.unit);
    const nearest = away.indexOf(Math.min(...away));
    this.#moving = { open: away[nearest] < NEAR_PX ? nearest : -1, isStill: true, from: this.#held.get(event.pointerId) };
  }

  #move(event) {
    const before = this.#held.get(event.pointerId);
    if (!before) return;
    const now = [event.clientX, event.clientY];
    if (this.#held.size === 2) this.#pinch(event.pointerId, before, now);
    this.#held.set(event.pointerId, now);
    const moving = this.#moving;
    if (!moving) return;
    if (moving.isStill && Math.hypot(now[0] - moving.from[0], now[1] - moving.from[1]) < STILL_PX) return;
    moving.isStill = false;
    if (moving.open >= 0) {
      this.cross = this.open[moving.open] = this.#at(event);
    } else {
      this.#pan(before, now);
    }
    this.redraw();
  }

  #pan(before, now) {
    const u = this.unit;
    this.#seen.x -= (now[0] - before[0]) * u;
    this.#seen.y -= (now[1] - before[1]) * u;
    this.#stay();
  }

  #pinch(id, before, now) {
    const [, other] = [...this.#held].find(([key]) => key !== id);
    const apart = (place) => Math.hypot(place[0] - other[0], place[1] - other[1]);
    const middle = { clientX: (now[0] + other[0]) / 2, clientY: (now[1] + other[1]) / 2 };
    this.zoom(apart(now) / Math.max(apart(before), 1), this.#at(middle));
  }

  #up(event, isSet) {
    const moving = this.#moving;
    this.#held.delete(event.pointerId);
    this.#moving = null;
    if (!moving || !isSet) return;
    if (moving.isStill) {
      this.cross = this.#at(event);
      this.owner.point([...this.cross]);
    }
    this.redraw();
  }

  #wheel(event) {
    if (!event.ctrlKey && document.activeElement !== this.svg) return; // the page scrolls
    event.preventDefault();
    this.zoom(event.deltaY < 0 ? 1.25 : 0.8, this.#at(event));
  }

  #key(event) {
    const step = ARROWS[event.key];
    if (event.ctrlKey || event.altKey || event.metaKey) return;
    if (step) {
      const far = event.shiftKey ? 1 : Math.max(Math.round(this.#seen.w / 50), 1);
      this.cross = this.#onPhoto([this.cross[0] + step[0] * far, this.cross[1] + step[1] * far]);
      this.#follow();
      this.redraw();
    } else if (event.key === "Enter") {
      this.owner.point([...this.cross]);
    } else if (!this.owner.key(event)) {
      return;
    }
    event.preventDefault();
  }

  /** Move the view where the cross went out of it. */
  #follow() {
    const { x, y, w, h } = this.#seen;
    const [a, b] = this.cross;
    if (a < x || a > x + w) this.#seen.x = a - w / 2;
    if (b < y || b > y + h) this.#seen.y = b - h / 2;
    this.#stay();
  }
}

function crossed(x, y, size) {
  return `M${x - size} ${y}H${x + size}M${x} ${y - size}V${y + size}`;
}
