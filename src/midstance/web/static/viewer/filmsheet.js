// The sheet of the film itself: view, measured part, capture rate, which runner; and the work on it.

import { Problem, ask, words } from "./api.js";
import { el } from "./panel.js";
import { part } from "./viewer.js";

const NUMBERS = ["start_s", "end_s", "capture_fps", "runner_x"];
const ASK_AGAIN_MS = 700;

export class FilmSheet {
  /**
   * @param {HTMLElement} root @param {import("./film.js").Film} film
   * @param {{frame: () => number, stay: (text: string, kind: string, deeds?: [string, () => void][]) => void, say: (text: string, kind?: string) => void, reread: () => Promise<void>}} on
   */
  constructor(root, film, on) {
    this.root = root;
    this.film = film;
    this.on = on;
    this.picking = false;
    this.following = false;
    this.form = /** @type {HTMLFormElement} */ (part(root, "settings"));
    this.form.addEventListener("submit", (event) => {
      event.preventDefault();
      this.save();
    });
    for (const button of /** @type {NodeListOf<HTMLElement>} */ (this.form.querySelectorAll("[data-here]"))) {
      button.addEventListener("click", () => {
        this._field(button.dataset.here ?? "").value = film.pts_s[on.frame()].toFixed(3);
      });
    }
    part(root, "pick-runner").addEventListener("click", () => this.pick(!this.picking));
    part(root, "read-again").addEventListener("click", () => this.readAgain());
    this.fill();
  }

  /** @param {string} name @returns {HTMLInputElement} */
  _field(name) {
    return /** @type {HTMLInputElement} */ (this.form.elements.namedItem(name));
  }

  /** Put in what is kept. */
  fill() {
    const { facts } = this.film;
    this._field("view").value = facts.view;
    for (const name of NUMBERS) this._field(name).value = facts[name] ?? "";
  }

  /** @param {boolean} on */
  pick(on) {
    this.picking = on;
    part(this.root, "pick-runner").setAttribute("aria-pressed", String(on));
    part(this.root, "stage").classList.toggle("picking", on);
    this.on.say(on ? "Click on the runner who is to be measured" : "");
  }

  /** @param {[number, number]} p px of the film */
  picked(p) {
    this._field("runner_x").value = Math.min(Math.max(p[0] / this.film.width, 0), 1).toFixed(3);
    this.pick(false);
    this.on.say("Chosen; save to read the film again for this runner");
  }

  async save(version = this.film.facts.version) {
    /** @type {Record<string, any>} */ const change = {};
    const { facts } = this.film;
    if (this._field("view").value !== facts.view) change.view = this._field("view").value;
    for (const name of NUMBERS) {
      const field = this._field(name);
      const value = field.value.trim() === "" ? null : field.valueAsNumber;
      if (value !== null && !Number.isFinite(value)) return this.on.say(`That is not a number: ${field.labels?.[0]?.textContent}`, "warn");
      if (value !== (facts[name] ?? null)) change[name] = value;
    }
    if (!Object.keys(change).length) return this.on.say("Nothing was changed");
    try {
      this.film.facts = { ...facts, ...(await ask("PUT", `/api/films/${this.film.id}`, { version, ...change })) };
      this.on.say("Saved. The film is being read again.", "good");
      this.on.stay("", "");
      if (change.capture_fps !== undefined) return this.followWork(true);
      return this.followWork();
    } catch (error) {
      const theirs = error instanceof Problem && error.status === 409 ? error.current : null;
      if (theirs) {
        this.on.stay(`${theirs.changed_by || "Somebody"} changed this film meanwhile; what you wrote is still in the fields.`, "warn", [
          ["Save mine on top", () => this.save(theirs.version)],
          ["Take what is there now", () => {
            this.film.facts = { ...facts, ...theirs };
            this.fill();
            this.on.stay("", "");
          }],
        ]);
      } else this.on.say(words(error), "bad");
      return undefined;
    }
  }

  async readAgain() {
    try {
      await ask("POST", `/api/films/${this.film.id}/read`);
      this.followWork();
    } catch (error) {
      this.on.say(words(error), "bad");
    }
  }

  /** Follow the work on the film until its reading is there, and show it. @param {boolean} whole load the page again then */
  async followWork(whole = false) {
    if (this.following) return;
    this.following = true;
    try {
      let asked = false;
      for (;;) {
        const facts = await ask("GET", `/api/films/${this.film.id}`);
        this.film.facts = { ...this.film.facts, ...facts };
        const { job } = facts;
        if (job && ["waiting", "running"].includes(job.state)) {
          const share = job.state === "running" ? ` ${Math.round(100 * job.share)} %` : "";
          this.on.stay(`${job.stage ? job.stage.charAt(0).toUpperCase() + job.stage.slice(1) : "The film is waiting to be read"} …${share}`, "");
        } else if (facts.problem) {
          this.on.stay(new Problem(422, facts.problem).sentence, "warn");
          return;
        } else if (facts.read) {
          await this.on.reread();
          if (this.film.reading?.marks_wait && !asked) {
            asked = true;
            await ask("POST", `/api/films/${this.film.id}/read`);
            continue;
          }
          this.on.stay("", "");
          if (whole || !this.root.dataset.sheet) location.reload();
          return;
        } else if (!asked) {
          asked = true;
          await ask("POST", `/api/films/${this.film.id}/read`);
        } else return;
        await new Promise((done) => setTimeout(done, ASK_AGAIN_MS));
      }
    } catch (error) {
      this.on.stay(words(error), "bad");
    } finally {
      this.following = false;
    }
  }

  /** Facts and notes of the film as it is read. */
  write() {
    const { film } = this;
    const rate = film.capture_fps ? `${Math.round(film.capture_fps * 100) / 100} pictures a second` : "";
    part(this.root, "rate-words").textContent = [rate && `Now taken: ${rate}`, film.capture_source && `from ${film.capture_source}`, film.slowdown > 1 ? `the film plays ${Math.round(film.slowdown * 100) / 100} times slower than it was` : ""].filter(Boolean).join(", ") + ".";
    const r = film.reading;
    /** @type {[string, string][]} */ const facts = [["File", film.facts.name || "–"], ["Size", `${film.width} × ${film.height} px`], ["Pictures", String(film.count)]];
    if (r) {
      if (film.isSide) facts.push(["Runs", r.direction === "-x" ? "to the left of the picture" : "to the right of the picture"], ["Near leg", r.near ?? "not known"]);
      facts.push(["Scale", r.m_per_px ? `${(1000 * r.m_per_px).toFixed(2)} mm a pixel` : "none"], ["Roll", `${(r.roll_deg ?? 0).toFixed(1).replace("-", "−")}°`]);
    }
    part(this.root, "facts").replaceChildren(...facts.flatMap(([name, value]) => [el("dt", {}, name), el("dd", {}, value)]));
    const notes = (r?.notes ?? []).map((/** @type {string} */ n) => el("li", {}, n));
    part(this.root, "notes").replaceChildren(...(notes.length ? [el("ul", { class: "fv-reasons" }, ...notes)] : []));
  }
}
