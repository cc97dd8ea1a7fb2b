// Where a flaw comes from: the form's fields for it, and the question before a separation at a cut edge is logged.

import { make } from "./dom.js";

const SEPARATIONS = ["delamination", "disbond"];

/** The list of causes for the form. */
export function causeField(causes) {
  return make(
    "select",
    { name: "cause" },
    causes.map((cause) => make("option", { value: cause }, cause)),
  );
}

/** Ask what made a separation whose cause is unknown; null when nothing is to be logged. */
export async function withOrigin(row, words) {
  const isOpen = SEPARATIONS.includes(row.kind) && (row.cause ?? "unknown") === "unknown";
  if (!isOpen) return row;
  const answer = await origin(words);
  if (answer === "") return null;
  return answer === "cutting" ? { ...row, cause: "cutting" } : row;
}

function origin(words) {
  return new Promise((resolve) => {
    const answer = (value, name, more) =>
      make("button", { type: "button", onclick: () => dialog.close(value), ...more }, name);
    const dialog = make(
      "dialog",
      { class: "question", "aria-label": "Who made it?" },
      make("p", {}, words),
      make(
        "div",
        { class: "row" },
        answer("", "Cancel", { autofocus: true }),
        answer("cutting", "The cut made it"),
        answer("before", "It was there before", { class: "primary" }),
      ),
    );
    dialog.addEventListener("close", () => {
      dialog.remove();
      resolve(dialog.returnValue);
    });
    document.body.append(dialog);
    dialog.showModal();
  });
}
