// What the panes with a photo share: tools to choose, places to click, buttons and keys, one action after the other.

import { CutView } from "./cutview.js";
import { Fault, say } from "./desk.js";
import { button, make } from "./dom.js";

const CLOSER = 1.6; // times, for each press

/** Knows of a pane: its `done` and `takeBack`. */
export class PhotoPane {
  tool = "";
  turn = Promise.resolve(); // the latest action; the next one waits for it

  /** `tools` are names with their `words`; `answers` are what a `CutView` asks for, but for keys. */
  constructor(tools, title, answers) {
    this.view = new CutView({ ...answers, key: (event) => this.key(event) });
    this.view.svg.setAttribute("aria-label", title);
    // All words that change are below photo and buttons, so that neither moves under a finger.
    this.next = make("p", { class: "here", role: "status" });
    this.count = make("p", { class: "said", role: "status" });
    this.answer = make("p", { class: "answer", role: "status" });
    this.tools = Object.fromEntries(
      Object.entries(tools).map(([name, { words }]) => [
        name,
        this.act(words, () => this.choose(name), null, { "aria-pressed": "false" }),
      ]),
    );
  }

  act(words, action, key, more) {
    return button(words, () => this.attempt(action), key, more);
  }

  input(attributes, action) {
    return make("input", { ...attributes, onchange: () => this.attempt(action) });
  }

  /** The photo with its buttons, some of the pane's own among them, and the words below. */
  photoPart(buttons = [], words = []) {
    return make(
      "div",
      {},
      this.view.svg,
      row(
        this.act("Done", () => this.done(), "D"),
        this.act("Take back", () => this.takeBack(), "⌫", { "aria-keyshortcuts": "Backspace" }),
        ...buttons,
        button("Closer", () => this.view.zoom(CLOSER), "+"),
        button("Wider", () => this.view.zoom(1 / CLOSER), "−", { "aria-keyshortcuts": "-" }),
        button("Whole photo", () => this.view.whole(), "0"),
      ),
      this.next,
      this.count,
      this.answer,
      ...words,
    );
  }

  /**
   * Do something once everything before it is done: a place that is set while the desk still computes waits.
   * What the desk refuses is said, and what is set stays.
   */
  attempt(action) {
    this.turn = this.turn.then(() => this.now(action));
    return this.turn;
  }

  async now(action) {
    say("");
    try {
      await action();
    } catch (error) {
      if (!(error instanceof Fault)) throw error;
      this.reply("bad", error.message);
    }
  }

  reply(kind, ...words) {
    this.answer.className = `answer ${kind}`;
    this.answer.replaceChildren(...words);
  }

  /** Have a tool, and show which. */
  hold(name) {
    this.tool = name;
    for (const [other, element] of Object.entries(this.tools)) {
      element.setAttribute("aria-pressed", String(other === name));
    }
  }

  /** Say what the tool waits for, and how much is set; the same words are not said twice. */
  sayTool(tool, otherwise, count) {
    this.count.textContent = count;
    const words = tool ? `${tool.words}: ${tool.ask}` : otherwise;
    if (this.next.textContent !== words) this.next.textContent = words;
  }

  key(event) {
    const keys = {
      d: () => this.attempt(() => this.done()),
      Backspace: () => this.attempt(() => this.takeBack()),
      "+": () => this.view.zoom(CLOSER),
      "-": () => this.view.zoom(1 / CLOSER),
      0: () => this.view.whole(),
      ...this.moreKeys,
    };
    const action = keys[event.key.length === 1 ? event.key.toLowerCase() : event.key];
    action?.();
    return action !== undefined;
  }
}

export function row(...content) {
  return make("div", { class: "row" }, content);
}

export function labelled(words, ...content) {
  return make("label", {}, words, content);
}

export function quiet(...words) {
  return make("p", { class: "quiet" }, words);
}
