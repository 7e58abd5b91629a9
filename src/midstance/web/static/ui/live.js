// Work under way, told by server-sent events: progress is written into the page as it comes; when a state changes, those parts of the
// page that depend on it are fetched anew and put in place of the old ones.

const WORDS = { waiting: "waiting", running: "under way", done: "done", failed: "it needs you", cancelled: "stopped" };
const KINDS = { prepare: "Preparing a film", read: "Reading a film", assess: "The report", validate: "The accuracy check", check: "The trial film" };

/**
 * @param {Element} root holds the live parts
 * @param {string} session id, or "" for all work
 */
export function follow(root, session) {
  const known = new Map();
  let asked = 0;
  let stale = false;
  const stream = new EventSource(`/api/jobs/stream${session ? `?session=${session}` : ""}`);
  stream.addEventListener("job", (event) => {
    const job = JSON.parse(event.data);
    const before = known.get(job.id);
    known.set(job.id, job.state);
    const place = root.querySelector(`[data-job="${job.id}"]`);
    if (place && place.getAttribute("data-state") === job.state) {
      write(place, job);
      return;
    }
    // A job that was over before this page was loaded changes nothing on it.
    if (!place && before === undefined && !["waiting", "running"].includes(job.state)) return;
    if (before !== job.state || place) {
      if (before !== undefined && before !== job.state) say(root, `${KINDS[job.kind] ?? "Work"}: ${WORDS[job.state] ?? job.state}`);
      clearTimeout(asked);
      asked = setTimeout(() => refresh(root), 150);
    }
  });
  stream.addEventListener("hello", () => {
    if (stale) refresh(root);
    stale = false;
  });
  stream.addEventListener("error", () => { stale = true; });
  addEventListener("pagehide", () => stream.close());
  addEventListener("pageshow", (event) => { if (event.persisted) location.reload(); });
}

function write(place, job) {
  const stage = place.querySelector("[data-stage]");
  const share = place.querySelector("[data-share]");
  const bar = place.querySelector("progress");
  const words = job.cancel_wanted ? "Stopping" : job.state === "waiting" ? "Waiting for its turn" : job.stage;
  if (stage && words) stage.textContent = words.charAt(0).toUpperCase() + words.slice(1);
  if (share) share.textContent = job.state === "running" ? `${Math.round(100 * job.share)} %` : "";
  if (bar) bar.value = job.share;
}

function say(root, words) {
  const place = root.querySelector("[data-say]");
  if (place) place.textContent = words;
}

/** Fetch this page again and put its live parts in place; what somebody is filling in stays. */
export async function refresh(root) {
  let page;
  try {
    const answer = await fetch(location.pathname + location.search, { headers: { Accept: "text/html" } });
    if (!answer.ok) return;
    page = new DOMParser().parseFromString(await answer.text(), "text/html");
  } catch { return; }
  for (const part of root.querySelectorAll("[data-refresh]")) {
    const fresh = part.id ? page.getElementById(part.id) : null;
    if (!fresh || part.querySelector("[data-busy]") || part.outerHTML === fresh.outerHTML) continue;
    const open = [...part.querySelectorAll("details")].map((d) => d.open);
    const focused = part.contains(document.activeElement) ? document.activeElement : null;
    const again = focused ? place(part, focused) : null;
    const node = document.importNode(fresh, true);
    node.querySelectorAll("details").forEach((d, i) => { if (open[i]) d.open = true; });
    part.replaceWith(node);
    if (again) (again(node) ?? node.querySelector("a, button"))?.focus();
  }
  const count = page.querySelector("[data-work-count]");
  const shown = document.querySelector("[data-work-count]");
  if (count && shown) { shown.textContent = count.textContent; shown.hidden = count.hidden; }
  root.dispatchEvent(new CustomEvent("refreshed", { bubbles: true }));
}

/** Remember which element it is, by its words or else by its place among its kind; returns how to find it in the new part. */
function place(part, element) {
  const alike = (root) => [...root.querySelectorAll(element.tagName)];
  const index = alike(part).indexOf(element);
  const words = element.textContent;
  return (fresh) => alike(fresh).find((e) => words && e.textContent === words) ?? alike(fresh)[index];
}
