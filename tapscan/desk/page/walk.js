// The state of a capture, as the desk reports it: which points have their taps, and which comes next.

export class Walk {
  tapsWanted = 0; // taps that each point shall have
  points = null; // name -> { taken, skipped }; null before the first report
  now = null; // the point that the next tap counts for; null when all are done
  isOn = false;

  /** Forget the capture that is over. */
  clear() {
    [this.points, this.now] = [null, null];
  }

  get all() {
    return this.points === null ? [] : [...this.points.values()];
  }

  get done() {
    return this.all.filter((one) => one.taken >= this.tapsWanted).length;
  }

  /** How far a point is: "done", "part", "passed" (skipped), "todo"; undefined when it is not on the walk. */
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

  /** Take an event; returns [kind, words] for the list of latest taps, or null. */
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
        return ["bad", `${event.point}: ${event.reason}, not counted: ${event.advice}. ${quality(event)}`];
      case "moved":
        this.now = event.point;
        if (one) one.skipped = false;
        return null;
      case "undone":
        one.taken = event.taken;
        return ["plain", `${event.point}: last tap removed, ${event.taken} left.`];
      case "repeated":
        one.taken = 0;
        return ["plain", `${event.point}: all taps removed.`];
      case "skipped":
        one.skipped = true;
        return ["plain", `${event.point}: skipped.`];
      case "zone complete": {
        const passed = event.skipped > 0 ? `; ${event.skipped} skipped` : "";
        return ["good", `Zone ${event.zone} is complete${passed}. End, then analyse.`];
      }
      case "listening":
        this.isOn = event.is_on;
        return null;
      case "faint":
        return ["plain", `Very soft sound, ${(-event.below_db).toFixed(0)} dB below your taps: not counted.`];
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

/** What the big banner says of an event: { kind, words, small }, short enough to read from two metres; or null. */
export function bannerOf(event) {
  switch (event.event) {
    case "accepted":
      return { kind: "good", words: `✓ Tap ${event.number} of ${event.wanted}`, small: event.point };
    case "rejected":
      return { kind: "bad", words: `✗ ${capital(event.reason)}`, small: `${event.point}: ${event.advice}` };
    case "undone":
      return { kind: "plain", words: "Tap removed", small: `${event.point}, ${event.taken} left` };
    case "repeated":
      return { kind: "plain", words: "Point cleared", small: `${event.point}: strike it again` };
    case "skipped":
      return { kind: "plain", words: "Skipped", small: event.point };
    case "zone complete":
      return { kind: "good", words: "✓ Complete", small: `zone ${event.zone}` };
    case "faint":
      return { kind: "plain", words: "Very soft", small: "not counted: was that your tap? Strike harder" };
    case "refused":
      return { kind: "bad", words: "✗ Not possible", small: event.sentence };
    case "warned":
      return { kind: "bad", words: "! Warning", small: event.sentence };
    default:
      return null;
  }
}

const capital = (words) => words[0].toUpperCase() + words.slice(1);
