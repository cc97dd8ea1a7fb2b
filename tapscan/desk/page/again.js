// Points to be tapped again: chosen on the map, struck on the collecting pane.

import { desk } from "./desk.js";
import { placeOf } from "./surface.js";

class Again extends EventTarget {
  names = [];

  /** Take a list of points, all of one zone, in the order in which they are to be struck. */
  set(names) {
    this.names = names.filter((name) => !isSkipped(name));
    this.dispatchEvent(new Event("change"));
  }

  get zone() {
    return this.names[0]?.split("-")[0] ?? null;
  }
}

function isSkipped(name) {
  const zone = desk.zone(name.split("-")[0]);
  const [station, position] = placeOf(name);
  return zone.skip.includes(station * zone.positions + position);
}

export const again = new Again();
