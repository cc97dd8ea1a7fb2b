// How a phone opens this page: a code for its camera, the certificate's fingerprint, and what its browser asks.

import { ask, telling } from "./desk.js";
import { button, draw, make } from "./dom.js";

const QUIET = 4; // modules of white round a code, as ISO/IEC 18004 asks

/** Put a button into a bar, where the desk lets other devices in. */
export async function phoneButton(bar) {
  const phone = await telling(() => ask("/api/phone"));
  if (!phone) return;
  const dialog = dialogOf(phone);
  document.body.append(dialog);
  bar.append(button("Phone", () => dialog.showModal()));
}

function dialogOf({ rows, fingerprint, steps }) {
  return make(
    "dialog",
    { class: "phone", "aria-labelledby": "phone-title" },
    make("h2", { id: "phone-title" }, "Collect with a phone"),
    make("div", { class: "two" }, code(rows), make("ol", {}, ...steps.map((step) => make("li", {}, step)))),
    make("p", {}, "SHA-256 fingerprint: ", make("code", { class: "fingerprint" }, fingerprint)),
    make("form", { method: "dialog" }, make("button", {}, "Close")),
  );
}

/** The code is dark on white in every theme: that is what cameras expect. */
function code(rows) {
  const size = rows.length + 2 * QUIET;
  const d = rows
    .flatMap((row, y) => [...row].map((dark, x) => (dark === "1" ? `M${x + QUIET} ${y + QUIET}h1v1h-1Z` : "")))
    .join("");
  const words = "QR code with the address of this desk and its token";
  return draw(
    "svg",
    { class: "code", viewBox: `0 0 ${size} ${size}`, role: "img", "aria-label": words },
    draw("rect", { class: "code-ground", width: size, height: size }),
    draw("path", { class: "code-dots", d }),
  );
}
