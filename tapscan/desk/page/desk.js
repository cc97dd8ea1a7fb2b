// What the page knows: the plan, the state of the analysis and its results. Panes listen for what they show.

/** A refusal by the desk, in its own sentence. */
export class Fault extends Error {
  mistakes = []; // of a form: { path, words } each
}

async function answer(response) {
  const type = response.headers.get("content-type") ?? "";
  const content = type.startsWith("application/json") ? await response.json() : await response.text();
  if (response.ok) return content;
  const fault = new Fault(content.fault ?? content);
  fault.mistakes = content.mistakes ?? [];
  throw fault;
}

function unreachable() {
  throw new Fault(
    "No answer: tapscan desk was closed, or the connection is lost. Start tapscan desk again.",
  );
}

/** Ask the desk for a document. */
export async function ask(path) {
  return answer(await fetch(path).catch(unreachable));
}

/** Send something to the desk; `content` is a file, or plain data. */
export async function post(path, content = {}) {
  const body = content instanceof Blob ? content : JSON.stringify(content);
  return answer(await fetch(path, { method: "POST", body }).catch(unreachable));
}

class Desk extends EventTarget {
  plan = null;
  state = null;
  results = undefined; // not asked for yet; null before an analysis

  /** Read the plan again, after it or the readings changed. */
  async readPlan() {
    this.plan = await ask("/api/plan");
    this.dispatchEvent(new Event("plan"));
  }

  /** Read the state of the analysis, and whatever changed meanwhile, here or on another page. */
  async readState() {
    const before = this.state;
    this.state = await ask("/api/state");
    if (this.state.plan_fault) {
      this.plan = null; // only its form can be shown
      this.dispatchEvent(new Event("state"));
      return;
    }
    if (this.plan === null) await this.readPlan();
    else if (before.files !== this.state.files) await this.readPlan();
    if (this.results === undefined || before?.analysis !== this.state.analysis) {
      this.results = await ask("/api/results");
      this.dispatchEvent(new Event("results"));
    }
    this.dispatchEvent(new Event("state"));
  }

  zone(code) {
    return this.plan.zones.find((zone) => zone.code === code);
  }
}

export const desk = new Desk();

/** Say what went wrong, where everyone looks; an empty text takes it away. */
export function say(text) {
  const place = document.getElementById("fault");
  place.textContent = text;
  place.hidden = text === "";
}

/** Run something in the background, and say what the desk refused; what was said before stays until then. */
export async function telling(action) {
  try {
    return await action();
  } catch (error) {
    // Anything else that fails is a bug and shows as one.
    if (!(error instanceof Fault)) throw error;
    say(error.message);
    return undefined;
  }
}

/** Run what somebody asked for: what was said of the last thing they asked for is over. */
export async function trying(action) {
  say("");
  return telling(action);
}
