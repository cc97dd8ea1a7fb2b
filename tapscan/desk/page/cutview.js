// A photo: zoomed, moved, and pointed at by finger, mouse or keyboard. It draws and measures nothing.

import { draw } from "./dom.js";

const ARROWS = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };
const NEAR_PX = 22; // half of a target for a finger
const STILL_PX = 8; // a finger that moves less than this taps
const CLOSEST_PX = 20; // across the whole view

export class CutView {
  #held = new Map(); // pointers that are down: id to their place on the screen
  #moving = null; // what the one pointer does: { from, open, isStill }
  #carried = -1; // the point that the arrow keys carry along
  #corner = 0; // where the picture's upper left corner is, in its own pixels
  #size = [1, 1];
  #seen = { x: 0, y: 0, w: 1, h: 1 };
  cross = [0, 0];
  open = []; // points that are being set; each can be dragged

  /**
   * `owner` answers: drawn(unit) with what is over the photo, point(place) when one is set, key(event) for other
   * keys; and, where it wants to know, chosen(i) when an open point is pressed, dragged(i) while and dropped(i)
   * after it is moved.
   */
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

  /** By the middle of the first pixel or by its `corner` at 0: places are counted from there. */
  show(source, width, height, corner = -0.5) {
    this.#size = [width, height];
    this.#corner = corner;
    const place = { href: source, x: corner, y: corner, width, height };
    for (const [name, value] of Object.entries(place)) this.picture.setAttribute(name, value);
    this.cross = [Math.round(width / 2), Math.round(height / 2)];
    this.whole();
  }

  whole() {
    const [w, h] = this.#size;
    this.#seen = { x: this.#corner, y: this.#corner, w, h };
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
    seen.x = Math.min(Math.max(seen.x, this.#corner), width + this.#corner - seen.w);
    seen.y = Math.min(Math.max(seen.y, this.#corner), height + this.#corner - seen.h);
  }

  /** Pixels of the photo for each pixel of the screen. */
  get unit() {
    const matrix = this.svg.getScreenCTM();
    return matrix && matrix.a > 0 ? 1 / matrix.a : 1;
  }

  redraw() {
    if (this.#carried >= this.open.length) this.#carried = -1; // its owner took it away
    const { x, y, w, h } = this.#seen;
    this.svg.setAttribute("viewBox", `${x} ${y} ${w} ${h}`);
    const u = this.unit;
    const sign = (places, name, size) => {
      const d = places.map(([a, b]) => crossed(a, b, size * u)).join("");
      return [draw("path", { class: `${name} halo`, d }), draw("path", { class: name, d })];
    };
    this.lines.replaceChildren(
      ...this.owner.drawn(u),
      ...sign(this.open, "face-open", 9),
      ...sign([this.cross], this.#carried < 0 ? "face-cross" : "face-cross carrying", 16),
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
    this.#carried = -1;
    this.#moving = { open: this.#openAt(at), isStill: true, from: this.#held.get(event.pointerId) };
  }

  /** The open point nearest to a place, where one is under a finger; else -1. */
  #openAt(at) {
    const away = this.open.map(([x, y]) => Math.hypot(x - at[0], y - at[1]) / this.unit);
    const nearest = away.indexOf(Math.min(...away));
    return away[nearest] < NEAR_PX ? nearest : -1;
  }

  /** A press that moves nothing: it chooses an open point, where that means something, or sets one. */
  #press(open) {
    if (open >= 0 && this.owner.chosen) this.owner.chosen(open);
    else this.owner.point([...this.cross]);
  }

  /** Pick up the open point at the cross, or put down the one that is carried. */
  #carry() {
    const carried = this.#carried;
    this.#carried = carried < 0 ? this.#openAt(this.cross) : -1;
    if (carried >= 0) this.owner.dropped?.(carried);
    else if (this.#carried >= 0) this.cross = [...this.open[this.#carried]];
    this.redraw();
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
      this.owner.dragged?.(moving.open);
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
      this.#press(moving.open);
    } else if (moving.open >= 0) {
      this.owner.dropped?.(moving.open);
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
      if (this.#carried >= 0) {
        this.open[this.#carried] = [...this.cross];
        this.owner.dragged?.(this.#carried);
      }
      this.follow();
      this.redraw();
    } else if (event.key.toLowerCase() === "m" || (event.key === "Enter" && this.#carried >= 0)) {
      this.#carry();
    } else if (event.key === "Enter") {
      this.#press(this.#openAt(this.cross));
    } else if (!this.owner.key(event)) {
      return;
    }
    event.preventDefault();
  }

  /** Move the view where the cross went out of it. */
  follow() {
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
