// Films go one after the other, each as it is, with its progress; what fails can be sent again.

const form = /** @type {HTMLFormElement} */ (document.querySelector("[data-send]"));
const chooser = /** @type {HTMLInputElement} */ (document.querySelector("[data-film]"));
const list = /** @type {HTMLElement} */ (document.querySelector("[data-list]"));
const part = (name) => /** @type {HTMLElement} */ (document.querySelector(`[data-${name}]`));
const TITLES = { side: "side", side_far: "other side", rear: "behind", front: "front" };

/** @typedef {{file: File, view: string, row: HTMLElement, state: "waiting" | "sending" | "received" | "failed"}} Film */
/** @type {Film[]} */
const films = [];
let busy = false;
let open = true;

/** @param {File} file @param {string} view */
function add(file, view) {
  const row = document.createElement("li");
  const head = document.createElement("div");
  head.className = "film-head";
  const name = document.createElement("b");
  name.textContent = file.name;
  const state = document.createElement("span");
  head.append(name, state);
  const bar = document.createElement("progress");
  bar.max = 1;
  bar.value = 0;
  bar.setAttribute("aria-label", `Progress of ${file.name}`);
  row.append(head, bar);
  list.append(row);
  /** @type {Film} */
  const film = { file, view, row, state: "waiting" };
  films.push(film);
  say(film, `${TITLES[view]} · waits`);
}

/** @param {Film} film @param {string} text @param {number} [share] */
function say(film, text, share) {
  const state = film.row.querySelector("span");
  if (state) state.textContent = text;
  const bar = film.row.querySelector("progress");
  if (bar && share !== undefined) bar.value = share;
  film.row.className = film.state === "received" || film.state === "failed" ? film.state : "";
  if (bar) bar.hidden = film.state === "received" || film.state === "failed";
}

/** @param {Film} film @returns {Promise<void>} */
function send(film) {
  return new Promise((done) => {
    film.state = "sending";
    film.row.querySelectorAll("button, p").forEach((e) => e.remove());
    say(film, "0 %", 0);
    const request = new XMLHttpRequest();
    request.open("POST", `/films?view=${encodeURIComponent(film.view)}&name=${encodeURIComponent(film.file.name)}`);
    request.setRequestHeader("Content-Type", "application/octet-stream");
    request.upload.addEventListener("progress", (event) => {
      if (event.lengthComputable) say(film, `${Math.floor((100 * event.loaded) / event.total)} %`, event.loaded / event.total);
    });
    request.addEventListener("load", () => {
      if (request.status === 201) {
        film.state = "received";
        say(film, `${TITLES[film.view]} · here ✓`);
      } else {
        let problem = {};
        try { problem = JSON.parse(request.responseText); } catch { /* a page that isn't ours */ }
        failed(film, problem.what ?? "it wasn't taken", problem.next_step, request.status !== 415 && request.status !== 413);
      }
      done();
    });
    request.addEventListener("error", () => { failed(film, "the connection broke off", "check that the coach's screen still shows the door open", true); done(); });
    request.send(film.file);
  });
}

/** @param {Film} film @param {string} what @param {string | undefined} next @param {boolean} again */
function failed(film, what, next, again) {
  film.state = "failed";
  say(film, "not taken");
  const why = document.createElement("p");
  why.className = "small";
  why.textContent = `${what[0].toUpperCase()}${what.slice(1)}${next ? `; ${next}` : ""}.`;
  film.row.append(why);
  if (!again) return;
  const button = document.createElement("button");
  button.type = "button";
  button.textContent = "Send again";
  button.addEventListener("click", () => { film.state = "waiting"; say(film, `${TITLES[film.view]} · waits`, 0); work(); });
  film.row.append(button);
}

async function work() {
  if (busy) return;
  busy = true;
  settle();
  for (let film = next(); film; film = next()) await send(film);
  busy = false;
  settle();
}

const next = () => films.find((f) => f.state === "waiting");

function settle() {
  part("list-part").hidden = films.length === 0;
  part("wait").hidden = !busy;
  part("done").hidden = busy || films.length === 0 || films.some((f) => f.state !== "received");
}

chooser.addEventListener("change", () => {
  const view = String(new FormData(form).get("view") ?? "side");
  for (const file of chooser.files ?? []) add(file, view);
  chooser.value = "";
  work();
});
form.addEventListener("submit", (event) => event.preventDefault());
addEventListener("beforeunload", (event) => { if (busy) event.preventDefault(); });

async function watch() {
  try {
    const answer = await fetch("/state");
    const state = await answer.json();
    open = state.open;
    part("left").textContent = open ? `Open for ${Math.max(1, Math.round(state.seconds_left / 60))} more min.` : "This phone isn't connected any more. Scan the code again.";
  } catch {
    if (!busy) part("left").textContent = "The door is closed.";
  }
}
setInterval(watch, 5000);
