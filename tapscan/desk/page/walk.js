// Where a capture stands, as the desk tells it: which points have their taps, and which comes next.

export class Walk {
  tapsWanted = 0; // taps that each point shall have
  points = null; // name -> { taken, skipped }; null before anything is told
  now = null; // the point that the next tap counts for; null when all are done
  isOn = false;

  get all() {
    return this.points === null ? [] : [...this.points.values()];
  }

  get done() {
    return this.all.filter((one) => one.taken >= this.tapsWanted).length;
  }

  /** How far a point is: "done", "part", "passed", "todo"; undefined when the walk does not touch it. */
  kindOf(name) {
    const one = this.points?.get(name);
    if (!one) return undefined;
    if (one.taken >= this.tapsWanted) return "done";
    if (one.skipped) return "passed";
    return one.taken > 0 ? "part" : "todo";
  }

  /** The present point's taps as signs that read from a metre away. */
  get dots() {
    const taken = this.points?.get(this.now)?.taken;
    if (taken === undefined) return "";
    return "●".repeat(taken) + "○".repeat(Math.max(0, this.tapsWanted - taken));
  }

  /** Take in what the desk tells; returns [kind, words] where there is something to say of it. */
  take(event) {
    const one = this.points?.get(event.point);
    switch (event.event) {
      case "standing":
        this.tapsWanted = event.wanted;
        this.points = new Map(event.points.map((each) => [each.point, each]));
        [this.now, this.isOn] = [event.point, event.is_on];
        return null;
      case "accepted":
        one.taken = event.number;
        return ["good", `${event.point}, tap ${event.number} of ${event.wanted}: good. ${quality(event)}`];
      case "rejected":
        return ["bad", `${event.point}: ${event.reason}, not counted; ${event.advice}. ${quality(event)}`];
      case "moved":
        this.now = event.point;
        if (one) one.skipped = false;
        return null;
      case "undone":
        one.taken = event.taken;
        return ["plain", `${event.point}: the last tap was put aside, ${event.taken} left.`];
      case "repeated":
        one.taken = 0;
        return ["plain", `${event.point}: all taps put aside.`];
      case "skipped":
        one.skipped = true;
        return ["plain", `${event.point}: passed over.`];
      case "zone complete": {
        const passed = event.skipped > 0 ? `; ${event.skipped} passed over` : "";
        return ["good", `Zone ${event.zone} is complete${passed}. End, then analyse.`];
      }
      case "listening":
        this.isOn = event.is_on;
        return null;
      case "refused":
      case "warned":
        return ["bad", event.sentence];
      default:
        return null;
    }
  }
}

function quality({ peak_db: peak, snr_db: snr }) {
  return `Peak ${peak.toFixed(0).replace("-", "−")} dB, ${snr.toFixed(0)} dB over the noise.`;
}
