// The setup proved on a known piece: what the latest check came to, its figures and chart, and checks before it.

import { Fault, ask, desk, post, telling } from "./desk.js";
import { button, make, table } from "./dom.js";

const PIECE = "piece:"; // begins the value of a zone that is the known piece's
const WORDS = { ready: "Ready", "not ready": "Not ready", "cannot say": "Cannot say" };
const HEADS = ["Checked", "Measured", "Must be", "Outcome"];
const PATIENCE_MS = 500;
const WHEN =
  "Check it before and after the work, and when hand, tapper, probe, couplant or room change. Ready means that " +
  "the piece’s known damage was found; it is no statement about the part.";

export class Setup {
  document = null;

  constructor(onchoose) {
    this.operator = make("input", { autocomplete: "off", maxlength: 60 });
    this.anew = make("input", { type: "checkbox" });
    this.choose = button("Check the setup", () => onchoose(this.value));
    this.files = make("input", {
      type: "file",
      multiple: true,
      accept: ".wav,.flac,.m4a,.mp4,.mov,.3gp,.aac,.mp3,.ogg,.opus,.csv,.npy",
      onchange: (event) => this.fromFiles([...event.target.files]),
    });
    this.answer = make("div", { "aria-live": "polite" });
    this.place = make("section", { class: "setup", "aria-label": "Setup" }, make("h2", {}, "Setup"), this.answer);
  }

  /** The known piece's zone, drawn and walked like one of the part; null when the desk has no piece. */
  get zone() {
    return this.document?.piece?.zones[0] ?? null;
  }

  get plan() {
    return this.document?.piece;
  }

  /** What goes to the desk with a check. */
  get said() {
    return { operator: this.operator.value.trim(), is_anew: this.anew.checked };
  }

  get value() {
    return this.zone === null ? "" : `${PIECE}${this.zone.code}`;
  }

  /** What the list of zones offers beside the part's. */
  option(isChosen) {
    const { part } = this.plan;
    const one = make("option", { value: this.value, selected: isChosen }, part.name || this.zone.title);
    return make("optgroup", { label: "Known piece, to check the setup" }, one);
  }

  async refresh() {
    const found = await telling(() => ask("/api/setup"));
    if (!found) return;
    this.document = found;
    this.show();
  }

  /** Check with A-scans or recordings of the piece that are files, named by its points or its zone. */
  async fromFiles(files) {
    if (files.length === 0) return;
    const begun = await telling(() => post("/api/setup/begin", { operator: this.said.operator, history: this.anew.checked ? "anew" : "kept" }));
    this.files.value = "";
    if (!begun) return;
    const refused = [];
    for (const file of files) {
      const place = `/api/files?name=${encodeURIComponent(file.name)}&check=${encodeURIComponent(begun.time)}`;
      try {
        await post(place, file);
      } catch (error) {
        if (!(error instanceof Fault)) throw error;
        refused.push(error.message);
      }
    }
    await telling(() => post("/api/setup/end", begun));
    await this.judged(begun.time, refused);
  }

  /** Wait for the verdict on the check that was begun at this time. */
  async judged(time, refused = []) {
    this.anew.checked = false;
    this.answer.replaceChildren(make("p", { class: "here" }, "Judging the check …"));
    for (;;) {
      const found = await telling(() => ask("/api/setup"));
      if (!found) return;
      this.document = found;
      if (found.unjudged[time] !== undefined || found.checks.some((one) => one.time === time)) break;
      await new Promise((resolve) => setTimeout(resolve, PATIENCE_MS));
    }
    this.show([...refused, this.document.unjudged[time]]);
    this.place.scrollIntoView({ block: "nearest" });
  }

  show(faults = []) {
    const { checks, piece, warnings } = this.document;
    const [latest, ...earlier] = checks;
    const none = "The setup was not proved: no known piece was checked.";
    this.answer.replaceChildren(
      ...[
        [...faults, this.document.fault, ...warnings].filter(Boolean).map((words) => make("p", { class: "stale" }, words)),
        latest ? verdictOf(latest) : make("p", { class: "here" }, none),
        make("p", { class: "quiet" }, WHEN),
        piece
          ? make(
              "div",
              { class: "row" },
              make("label", {}, "Who taps ", this.operator),
              make("label", {}, this.anew, " Tapper or recorder was changed on purpose: begin a new history"),
              this.choose,
              make("label", {}, "or with files of A-scans or taps, named by the piece’s points or zone: ", this.files),
            )
          : make("p", { class: "quiet" }, `To check it here: tapscan desk ${desk.plan.folder} --piece PIECE`),
        latest && figuresOf(latest),
        earlier.length > 0 && earlierOf(earlier),
      ]
        .flat()
        .filter(Boolean),
    );
  }
}

export const isPiece = (value) => value.startsWith(PIECE);

function about({ when, piece, operator }) {
  return [piece, when, operator].filter(Boolean).join(", ");
}

function verdictOf(check) {
  const reasons = check.methods.flatMap((one) => [...one.because, ...one.changes]);
  return [
    make(
      "p",
      {},
      make("span", { class: `verdict ${check.outcome.replace(" ", "-")}` }, WORDS[check.outcome]),
      ` ${about(check)}`,
    ),
    reasons.length > 0 && make("ul", {}, reasons.map((words) => make("li", {}, words))),
  ];
}

function figuresOf(check) {
  return make(
    "details",
    {},
    make("summary", {}, "What was measured"),
    check.methods.map((one) => [
      table(`${one.name[0].toUpperCase()}${one.name.slice(1)} on ${check.piece}`, HEADS, one.rows),
      one.found.map((words) => make("p", {}, words)),
      one.chart &&
        make(
          "a",
          { href: one.chart, target: "_blank", rel: "noopener" },
          make("img", {
            class: "history",
            src: one.chart,
            loading: "lazy",
            alt: `Control charts of the ${one.name}: each figure of all checks of this piece in order of time, with limits`,
          }),
        ),
    ]),
  );
}

function earlierOf(checks) {
  const line = (one) => make("li", {}, `${WORDS[one.outcome]}: ${about(one)}`);
  return make(
    "details",
    {},
    make("summary", {}, checks.length === 1 ? "1 earlier check" : `${checks.length} earlier checks`),
    make("ul", {}, checks.map(line)),
  );
}
