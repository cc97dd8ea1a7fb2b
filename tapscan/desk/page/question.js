// A question before something is done that could mislead: it waits for an answer, and "Cancel" is the safe one.

import { make } from "./dom.js";

/** Ask; resolves to true when the person presses the button named `yes`. */
export function question(words, yes) {
  return new Promise((resolve) => {
    const answer = (value) => ({ type: "button", onclick: () => dialog.close(value) });
    const dialog = make(
      "dialog",
      { class: "question", "aria-label": "Please confirm" },
      words.map((sentence) => make("p", {}, sentence)),
      make(
        "div",
        { class: "row" },
        make("button", { ...answer(""), autofocus: true }, "Cancel"),
        make("button", { ...answer("yes"), class: "primary" }, yes),
      ),
    );
    dialog.addEventListener("close", () => {
      dialog.remove();
      resolve(dialog.returnValue === "yes");
    });
    document.body.append(dialog);
    dialog.showModal();
  });
}
