// Checks by picture: send the file, watch the work, show what was found over the picture itself (which never leaves the page
// again: the server has removed its copy by then).

const root = document.querySelector("[data-check]");
const form = document.querySelector("[data-check-form]");
const POLL_MS = 500;

/** @param {string} selector */
const part = (selector) => /** @type {HTMLElement | null} */ (root?.querySelector(selector) ?? null);

/** Say what went wrong. @param {{what?: string, allowed?: string, next_step?: string}} problem */
function fault(problem) {
  const place = part("[data-fault]");
  if (!place) return;
  const note = document.createElement("div");
  note.className = "note bad";
  note.setAttribute("role", "alert");
  const lines = [problem.what, problem.allowed && `Possible: ${problem.allowed}`, problem.next_step && `Next step: ${problem.next_step}`];
  for (const line of lines) {
    if (!line) continue;
    const p = document.createElement("p");
    p.textContent = `${line[0].toUpperCase()}${line.slice(1)}.`;
    note.append(p);
  }
  place.replaceChildren(note);
}

/**
 * Send a file; resolves with the job's id.
 * @param {File} file @param {string} view @param {(share: number) => void} tell
 * @returns {Promise<string>}
 */
function send(file, view, tell) {
  return new Promise((done, failed) => {
    const request = new XMLHttpRequest();
    request.open("POST", `/guide/check?view=${encodeURIComponent(view)}`);
    request.setRequestHeader("X-CSRF-Token", document.querySelector('meta[name="csrf"]')?.getAttribute("content") ?? "");
    request.setRequestHeader("Content-Type", "application/octet-stream");
    request.upload.addEventListener("progress", (e) => { if (e.lengthComputable) tell(e.loaded / e.total); });
    request.addEventListener("load", () => {
      if (request.status === 202) { done(JSON.parse(request.responseText).job); return; }
      // The answer is a page that says what is wrong.
      const page = new DOMParser().parseFromString(request.responseText, "text/html");
      failed({ what: page.querySelector("h1")?.textContent ?? "it wasn't taken", next_step: "choose another file" });
    });
    request.addEventListener("error", () => failed({ what: "the server can't be reached", next_step: "check that it runs, then try again" }));
    request.send(file);
  });
}

/** Wait until the work is done; resolves with the piece of the page. @param {string} job @param {(stage: string, share: number) => void} tell */
async function watch(job, tell) {
  for (;;) {
    const answer = await fetch(`/guide/check/${job}?part=1`);
    const page = new DOMParser().parseFromString(await answer.text(), "text/html");
    const state = page.querySelector("[data-state]");
    if (!(state instanceof HTMLElement)) throw { what: "the check can't be followed", next_step: "try again" };
    if (!["waiting", "running"].includes(state.dataset.state ?? "")) return state;
    tell(state.dataset.stage || "waiting", Number(state.dataset.share) || 0);
    await new Promise((on) => setTimeout(on, POLL_MS));
  }
}

/** Put the picture itself under the drawing. @param {HTMLElement} state @param {File} file */
function lay(state, file) {
  const frame = state.querySelector("[data-seen]");
  if (!(frame instanceof HTMLElement)) return;
  const url = URL.createObjectURL(file);
  if (file.type.startsWith("image/")) {
    const image = new Image();
    image.alt = "";
    image.addEventListener("load", () => { frame.prepend(image); frame.classList.add("over"); });
    image.src = url;
  } else {
    const film = document.createElement("video");
    film.muted = true;
    film.playsInline = true;
    film.preload = "auto";
    film.tabIndex = -1;
    film.setAttribute("aria-hidden", "true");
    film.addEventListener("loadedmetadata", () => { film.currentTime = Number(frame.dataset.at) + 0.0005; });
    // Only a film that this browser can show goes under the drawing.
    film.addEventListener("seeked", () => { frame.prepend(film); frame.classList.add("over"); }, { once: true });
    film.src = url;
  }
}

if (form instanceof HTMLFormElement) {
  const chooser = /** @type {HTMLInputElement} */ (form.elements.namedItem("film"));
  const drop = part("[data-drop]");
  const bar = part("[data-progress]");
  const result = part("[data-result]");
  let busy = false;

  /** @param {string} text @param {number} share */
  const tell = (text, share) => {
    const stage = part("[data-stage]");
    const progress = bar?.querySelector("progress");
    if (stage && stage.textContent !== text) stage.textContent = text;
    if (progress) progress.value = share;
  };

  const start = async () => {
    const file = chooser.files?.[0];
    if (!file || busy) return;
    busy = true;
    part("[data-fault]")?.replaceChildren();
    result?.replaceChildren();
    if (bar) bar.hidden = false;
    const view = String(new FormData(form).get("view") ?? "side");
    try {
      tell("Sending", 0);
      const job = await send(file, view, (share) => tell("Sending", share));
      const state = await watch(job, (stage, share) => tell(stage[0].toUpperCase() + stage.slice(1), share));
      result?.replaceChildren(document.adoptNode(state));
      lay(state, file);
      result?.focus({ preventScroll: true });
      result?.scrollIntoView({ block: "start" });
    } catch (problem) {
      fault(problem instanceof Error ? { what: "the check can't be followed", next_step: "try again" } : problem);
    } finally {
      busy = false;
      if (bar) bar.hidden = true;
    }
  };

  // Capture: before the page's own listener marks the form as sent, which would stop a second check.
  document.addEventListener("submit", (event) => {
    if (event.target !== form) return;
    event.preventDefault();
    start();
  }, { capture: true });
  chooser.addEventListener("change", start);
  form.addEventListener("change", (event) => { if (event.target !== chooser && chooser.files?.length) start(); });
  for (const kind of ["dragenter", "dragover"]) {
    drop?.addEventListener(kind, (event) => { event.preventDefault(); drop.classList.add("over"); });
  }
  for (const kind of ["dragleave", "drop"]) drop?.addEventListener(kind, () => drop.classList.remove("over"));
  drop?.addEventListener("drop", (event) => {
    event.preventDefault();
    if (event.dataTransfer?.files.length) { chooser.files = event.dataTransfer.files; start(); }
  });
}
