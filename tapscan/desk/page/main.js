// Starts the page: five panes, the state of the analysis, and the keys that work everywhere.

import { openCollect } from "./collect.js";
import { Cut } from "./cut.js";
import { desk, post, say, telling, trying } from "./desk.js";
import { openLook } from "./look.js";
import { showPapers } from "./papers.js";
import { phoneButton } from "./phone.js";
import { PlanForm } from "./planform.js";

const element = (id) => document.getElementById(id);
const panes = ["plan", "collect", "look", "papers", "cut"];
const cut = new Cut(element("cut"));
const planForm = new PlanForm(element("plan"));
const look = openLook(element("look"), {
  log: (where) => {
    location.hash = "cut";
    cut.at(where);
  },
  tapAgain: () => {
    location.hash = "collect";
  },
});
const collect = openCollect(element("collect"));

function shownPane() {
  if (desk.plan === null) return "plan"; // it has mistakes: nothing else can be shown
  const wanted = location.hash.slice(1);
  if (panes.includes(wanted)) return wanted;
  const hasReadings = desk.plan.zones.some((zone) => zone.has_readings);
  return hasReadings ? "look" : "collect";
}

let paneBefore = "";

async function showPane() {
  if (desk.plan === null && !desk.state?.plan_fault) return; // not read yet: the pane is shown once it is
  // Where the plan is made the page stays there once it is right.
  if (desk.plan === null) history.replaceState(null, "", "#plan");
  const shown = shownPane();
  for (const name of panes) {
    element(name).hidden = name !== shown;
    const link = document.querySelector(`nav a[href="#${name}"]`);
    if (name === shown) link.setAttribute("aria-current", "page");
    else link.removeAttribute("aria-current");
  }
  if (shown !== paneBefore) scrollTo(0, 0); // a pane begins at its top, wherever the one before it was
  paneBefore = shown;
  if (shown === "collect") collect.begin.focus({ preventScroll: true }); // Space starts at once
  if (shown === "plan") await planForm.show();
  if (shown === "look") {
    look.redraw();
    look.map.focus({ preventScroll: true }); // the arrow keys work at once
  }
  if (shown === "papers") await showPapers(element("papers"));
  if (shown === "cut") await cut.show();
}

function showState() {
  const { what, done, total, fault, analysis } = desk.state;
  const { is_running: isRunning, is_stale: isStale, is_written: isWritten } = desk.state;
  let words = analysis > 0 ? "Analysed" : "Not analysed yet";
  if (isWritten) words = "Analysed and saved";
  if (isStale) words = "Changed since the analysis";
  if (desk.state.plan_fault) words = "The plan has mistakes";
  if (isRunning) words = total > 0 ? `Analysing ${what}: ${done} of ${total}` : `Working: ${what}`;
  if (fault && !isRunning && !desk.state.plan_fault) words = fault;
  const place = element("state");
  if (place.textContent !== words) place.textContent = words;
  place.classList.toggle("stale", isStale && !isRunning);
  element("analyse").disabled = isRunning || desk.plan === null;
  if (desk.plan === null && element("plan").hidden) showPane();
  element("analyse").classList.toggle("wanted", (isStale || analysis === 0) && !isRunning && desk.plan !== null);
}

let wasAway = false;

async function watch() {
  const isBack = await telling(async () => {
    await desk.readState();
    return true;
  });
  if (isBack && wasAway) say("");
  wasAway = !isBack;
  // A hidden page asks seldom; one that waits for an analysis asks often.
  setTimeout(watch, document.hidden ? 10000 : desk.state?.is_running ? 400 : 2500);
}

desk.addEventListener("plan", () => {
  const name = desk.plan.part.name || desk.plan.folder;
  element("part").textContent = name;
  document.title = `${name}: desk`;
  collect.refresh();
  look.planChanged();
});
desk.addEventListener("results", async () => {
  await look.refresh();
  await showPane();
});
desk.addEventListener("state", showState);
window.addEventListener("hashchange", showPane);
element("analyse").addEventListener("click", () =>
  trying(async () => {
    await post("/api/analyse");
    await desk.readState();
  }),
);
element("show-keys").addEventListener("click", () => element("keys").showModal());
document.addEventListener("keydown", (event) => {
  if (!element("collect").hidden) collect.key(event);
});
phoneButton(document.querySelector(".top"));

watch();
