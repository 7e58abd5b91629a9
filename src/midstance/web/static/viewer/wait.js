// While a film is being prepared: says how far, and goes on by itself.

import { ask, words } from "./api.js";

const box = /** @type {HTMLElement} */ (document.querySelector("[data-film-wait]"));
const bar = box.querySelector("progress");
const stage = box.querySelector('[data-part="stage-words"]');

async function look() {
  try {
    const film = await ask("GET", `/api/films/${box.dataset.filmWait}`);
    if (film.prepared || (film.problem && bar)) {
      location.reload();
      return;
    }
    if (film.job && bar && stage) {
      bar.value = film.job.share;
      stage.textContent = film.job.state === "waiting" ? "waiting for its turn" : `${film.job.stage} ${Math.round(100 * film.job.share)} %`;
    }
  } catch (error) {
    if (stage) stage.textContent = words(error);
  }
  setTimeout(look, 700);
}

if (bar) look();
