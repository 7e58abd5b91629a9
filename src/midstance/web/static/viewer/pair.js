// Two films side by side, locked in real time or in the stride, with one set of keys.

import { words } from "./api.js";
import { Film } from "./film.js";
import { entryOf, writeSheet } from "./keys.js";
import { writeAngles } from "./panel.js";
import { matched, nextEvent, strideClock, wholeStrides } from "./phase.js";
import { Viewer, part } from "./viewer.js";
import { wire } from "./wire.js";

/** @typedef {"left"|"right"} Side */

class Pair {
  /** @param {HTMLElement} root @param {[Viewer, Viewer]} viewers */
  constructor(root, viewers) {
    this.root = root;
    this.viewers = viewers;
    /** @type {"time"|"phase"|"off"} */ this.lock = "time";
    /** @type {Side} */ this.foot = "left";
    this.offset = { time: 0, phase: 0 };
    /** The one that leads; the other follows. */
    this.leading = 0;
    viewers.forEach((viewer, i) => {
      viewer.onMove = () => {
        this.leading = i;
      };
      viewer.watchers.push(() => {
        writeAngles(part(viewer.root, "angles"), viewer.values);
        if (i === this.leading) this.follow();
        clearTimeout(this._timer);
        this._timer = setTimeout(() => this.say(), 450);
      });
      viewer.stageElement.addEventListener("pointerdown", () => {
        this.active = i;
        if (this.lock === "off") this.leading = i;
      });
    });
    this._timer = 0;
    this.active = 0;
    const { reading } = viewers[0].film;
    if (reading?.near) this.foot = reading.near;
    part(root, "foot").value = this.foot;
    this.controls();
  }

  get lead() {
    return this.viewers[this.leading];
  }

  get other() {
    return this.viewers[1 - this.leading];
  }

  /** Show in the other film what belongs to the leading one. */
  follow() {
    if (this.lock === "off") return;
    const way = this.leading === 0 ? 1 : -1;
    const time_s = matched(this.lock, this.lead.time_s, {
      offset: way * this.offset[this.lock], foot: this.foot, from: this.lead.film.stances, to: this.other.film.stances,
    });
    this.root.dataset.unmatched = time_s === null ? "yes" : "";
    if (time_s !== null) this.other.seeker.show(this.other.film.frameAt(time_s));
  }

  /** @param {string} command @param {any[]} args */
  run(command, args) {
    const each = (/** @type {(v: Viewer) => void} */ deed) => this.viewers.forEach(deed);
    switch (command) {
      case "step":
      case "edge":
        return this.alone(() => this.lead.run(command, args));
      case "jump": {
        const { film } = this.lead;
        const foot = this.lock === "phase" ? this.foot : null;
        const half = 0.5 / (film.capture_fps || 60) + 1e-4;
        const next = nextEvent(film.events, this.lead.time_s, args[1], (e) => (!args[0] || e.kind === args[0]) && (!foot || e.side === foot), half);
        if (!next) return this.tell(args[1] > 0 ? "No later one in the leading film" : "No earlier one in the leading film");
        return this.alone(() => this.lead.go(film.frameAt(next.time_s)));
      }
      case "play":
        return this.play();
      case "speed":
      case "layer":
      case "overlay":
      case "follow":
      case "legs": {
        this.lead.run(command, args);
        const one = this.lead;
        this.other.player.share = one.player.share;
        for (const name of Object.keys(one.layers)) this.other.layers[name] = one.layers[name];
        this.other.drawing = one.drawing;
        this.other.setLegs(one.legs);
        return this.other.follow(one.following);
      }
      case "loop":
        this.lead.toggleLoop();
        if (this.lead.player.loop) this.play(true);
        else this.pause();
        return undefined;
      default:
        return each((v) => v.run(command, args));
    }
  }

  /** A move of the leading film; a film that plays on its own stops first. @param {() => any} move */
  alone(move) {
    this.pause();
    return move();
  }

  pause() {
    clearInterval(this._clock);
    this._clock = 0;
    this.viewers.forEach((v) => v.player.pause());
    this._shown(false);
  }

  /** @param {boolean} on */
  _shown(on) {
    for (const button of this.root.querySelectorAll('[data-part="play"]')) {
      button.classList.toggle("playing", on);
      button.setAttribute("aria-label", on ? "Pause" : "Play");
    }
  }

  /**
   * Both go by one clock of real time, picture by picture, each the exact one; what a slow machine can't show in time is left out.
   * @param {boolean} [keep]
   */
  play(keep = false) {
    if (this._clock) {
      if (!keep) this.pause();
      return;
    }
    this.viewers.forEach((v) => v.player.pause());
    const { film, player } = this.lead;
    const ends = () => player.loop ?? this.lead.measuredPart();
    if (this.lead.frame >= ends()[1]) this.lead.seeker.show(ends()[0]);
    let last = performance.now();
    let time_s = this.lead.time_s;
    this._shown(true);
    this._clock = setInterval(() => {
      const now = performance.now();
      time_s += ((now - last) / 1000) * player.share;
      last = now;
      const [first, end] = ends();
      if (time_s > film.time_s[end]) {
        if (!player.loop) return this.pause();
        time_s = film.time_s[first];
      }
      this.lead.seeker.show(film.frameAt(time_s));
      return undefined;
    }, 15);
  }

  /** Keep the films as they now stand to each other. */
  align() {
    const [a, b] = this.viewers;
    if (this.lock === "phase") {
      const [p, q] = [a, b].map((v) => strideClock(v.film.stances, this.foot, v.time_s));
      if (p === null || q === null) return this.tell("Both films must show a whole stride of that foot");
      this.offset.phase = q - p;
    } else {
      this.lock = "time";
      this.offset.time = b.time_s - a.time_s;
    }
    this.write();
    return this.tell("Locked as shown");
  }

  controls() {
    for (const radio of /** @type {NodeListOf<HTMLInputElement>} */ (this.root.querySelectorAll('input[name="lock"]'))) {
      radio.addEventListener("change", () => {
        this.lock = /** @type {any} */ (radio.value);
        this.write();
        // Outside all strides nothing can be matched: begin at the first contact.
        const first = wholeStrides(this.lead.film.stances, this.foot)[0];
        if (this.lock === "phase" && first && strideClock(this.lead.film.stances, this.foot, this.lead.time_s) === null) {
          this.alone(() => this.lead.go(this.lead.film.frameAt(first.ic_s)));
        } else this.follow();
      });
    }
    part(this.root, "foot").addEventListener("change", (/** @type {any} */ e) => {
      this.foot = e.target.value;
      this.follow();
    });
    part(this.root, "offset").addEventListener("input", (/** @type {any} */ e) => {
      if (this.lock === "off" || !Number.isFinite(e.target.valueAsNumber)) return;
      this.offset[this.lock] = this.lock === "phase" ? e.target.valueAsNumber / 100 : e.target.valueAsNumber;
      this.follow();
    });
    part(this.root, "align").addEventListener("click", () => this.align());
    wire(this.root, (command, args) => this.run(command, args), {
      setSpeed: (share) => this.viewers.forEach((v) => v.setSpeed(share)),
      follow: (side) => this.viewers.forEach((v) => v.follow(side)),
      setLegs: (legs) => this.viewers.forEach((v) => v.setLegs(legs)),
      setLayer: (name, on) => this.viewers.forEach((v) => v.setLayer(name, on)),
    }, () => this.lead.stageElement);
    this.write();
  }

  write() {
    for (const radio of /** @type {NodeListOf<HTMLInputElement>} */ (this.root.querySelectorAll('input[name="lock"]'))) radio.checked = radio.value === this.lock;
    const field = part(this.root, "offset");
    const phase = this.lock === "phase";
    part(this.root, "foot-of").hidden = !phase;
    part(this.root, "offset-of").hidden = this.lock === "off";
    part(this.root, "align").hidden = this.lock !== "off";
    const label = part(this.root, "offset-of");
    label.firstChild.textContent = phase ? "right film further by " : "right film later by ";
    label.lastChild.textContent = phase ? " % of a stride" : " s";
    field.step = phase ? "1" : "0.001";
    if (this.lock !== "off" && document.activeElement !== field) field.value = phase ? String(Math.round(1000 * this.offset.phase) / 10) : this.offset.time.toFixed(3);
  }

  /** @param {string} text */
  tell(text) {
    part(this.root, "pair-say").textContent = text;
  }

  say() {
    if (this._clock) return;
    part(this.root, "pair-live").textContent = `Left film: ${this.viewers[0].sentence()} Right film: ${this.viewers[1].sentence()}`;
    if (this.root.dataset.unmatched) this.tell("No whole stride of that foot here: the other film stays where it is");
  }
}

async function open() {
  for (const place of document.querySelectorAll("[data-viewer-keys]")) writeSheet(place, true);
  const root = /** @type {HTMLElement|null} */ (document.querySelector("[data-pair]"));
  if (!root) return;
  const boxes = /** @type {HTMLElement[]} */ ([...root.querySelectorAll("[data-viewer]")]);
  const films = await Promise.all(boxes.map((box) => Film.load(box.dataset.film ?? "")));
  const viewers = /** @type {[Viewer, Viewer]} */ (boxes.map((box, i) => new Viewer(box, films[i])));
  const pair = new Pair(root, viewers);
  document.addEventListener("keydown", (event) => {
    const entry = entryOf(event, true);
    if (!entry) return;
    event.preventDefault();
    pair.run(entry.command, entry.args ?? []);
  });
  await Promise.all(viewers.map((v) => v.start(null)));
  viewers.forEach((v) => v.setLegs(v.film.isSide ? "near" : "both"));
  // In the stride both begin at a contact, where that is known.
  const unread = films.filter((f) => !f.reading);
  const radio = /** @type {HTMLInputElement} */ (root.querySelector('input[name="lock"][value="phase"]'));
  if (unread.length) {
    radio.disabled = true;
    pair.tell("Locking in the stride needs both films to be read");
  }
  pair.follow();
  /** @type {any} */ (root).pair = pair;
  root.dataset.ready = "yes";
}

open().catch((error) => {
  const line = part(document, "pair-say");
  if (line) line.textContent = words(error);
});
