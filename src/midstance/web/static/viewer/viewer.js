// One film on the page: picture, drawing, strip of time, and the commands that keys and buttons stand for.

import { anglesOf } from "./angles.js";
import { SIDES } from "./film.js";
import { Painter } from "./paint.js";
import { nextEvent, phaseAt, phaseWords, strideAt } from "./phase.js";
import { Player, SPEEDS } from "./play.js";
import { FrameSeeker, nearest } from "./seek.js";
import { Stage } from "./stage.js";
import { Timeline } from "./timeline.js";

/** @typedef {import("./film.js").Film} Film */
/** @typedef {"left"|"right"} Side */
/** @typedef {[number, number]} Point */

/** How much larger than whole a foot is shown at first. */
const FOOT_ZOOM = 3.4;
const JOG_PX = 5;
const LAYERS = /** @type {const} */ (["skeleton", "angles", "verticals", "distance", "events", "stickers"]);

/** @param {ParentNode} root @param {string} name @returns {any} */
export const part = (root, name) => root.querySelector(`[data-part="${name}"]`);

export class Viewer {
  /**
   * @param {HTMLElement} root
   * @param {Film} film
   */
  constructor(root, film) {
    this.root = root;
    this.film = film;
    this.frame = -1;
    /** @type {import("./angles.js").Reading[]} */ this.values = [];
    this.layers = Object.fromEntries(LAYERS.map((name) => [name, true]));
    this.drawing = true;
    /** @type {"near"|"left"|"right"|"both"} */ this.legs = film.isSide ? "near" : "both";
    /** @type {"near"|"left"|"right"|null} */ this.following = null;
    /** @type {import("./edit.js").Editor|null} */ this.editor = null;
    /** @type {import("./marks.js").Marks|null} */ this.marks = null;
    /** What else wants to know: called after each picture or change. @type {(() => void)[]} */
    this.watchers = [];
    /** Called when a person moves by hand, so that a second film can follow. @type {(() => void)|null} */
    this.onMove = null;

    const picture = /** @type {HTMLCanvasElement} */ (part(root, "picture"));
    const frame = /** @type {HTMLElement} */ (part(root, "stage"));
    this.stageElement = frame;
    this.video = /** @type {HTMLVideoElement} */ (part(root, "video"));
    frame.style.setProperty("--fv-aspect", `${film.width} / ${film.height}`);
    frame.style.setProperty("--fv-wide", String(film.width / film.height));
    this.pictureCtx = /** @type {CanvasRenderingContext2D} */ (picture.getContext("2d", { alpha: false }));
    this.stage = new Stage(frame, picture, film.width, film.height, () => this.redraw());
    this.painter = new Painter(/** @type {HTMLCanvasElement} */ (part(root, "overlay")), this.stage);
    this.seeker = new FrameSeeker(this.video, film.pts_s, (index, source) => this._picture(index, source));
    this.player = new Player(this.seeker, film, (playing) => this._state(playing));
    this.timeline = new Timeline(part(root, "timeline"), film, {
      scrub: (f) => this.go(f),
      pick: (e) => this.editor?.pickEvent(e),
      move: (e, f) => this.editor?.moveEvent(e, f),
      part: () => this.measuredPart(),
    });
    this.timeline.editable = false;
    this._jog(part(root, "jog"));
    this._pointers();
    const again = () => {
      this.painter.recolour();
      this.timeline.recolour();
      this.redraw();
    };
    new MutationObserver(again).observe(document.documentElement, { attributes: true, attributeFilter: ["data-theme"] });
    matchMedia("(prefers-color-scheme: dark)").addEventListener("change", again);
    document.fonts?.ready.then(again);
  }

  /** Show the first picture, or the one at a real time. @param {number|null} at_s */
  async start(at_s) {
    if (this.video.readyState < 1) {
      await new Promise((resolve, reject) => {
        this.video.addEventListener("loadedmetadata", resolve, { once: true });
        this.video.addEventListener("error", () => reject(new Error("This browser can't play the film's copy.")), { once: true });
        if (this.video.error) reject(new Error("This browser can't play the film's copy."));
      });
    }
    this.stage.fit();
    this.player.part = this.measuredPart();
    await this.seeker.show(at_s === null ? this.measuredPart()[0] : this.film.frameAt(at_s));
    part(this.root, "wait").hidden = true;
    this.root.dataset.ready = "yes";
  }

  /** First and last picture of the part that is measured. @returns {[number, number]} */
  measuredPart() {
    const { facts, pts_s, count } = this.film;
    const first = facts.start_s === null || facts.start_s === undefined ? 0 : nearest(pts_s, facts.start_s);
    const last = facts.end_s === null || facts.end_s === undefined ? count - 1 : nearest(pts_s, facts.end_s);
    return [Math.min(first, last), Math.max(first, last)];
  }

  get time_s() {
    return this.film.time_s[Math.max(this.frame, 0)];
  }

  // --- showing

  /** @param {number} index @param {CanvasImageSource} source */
  _picture(index, source) {
    const { canvas } = this.pictureCtx;
    const [w, h] = [this.video.videoWidth, this.video.videoHeight];
    if (canvas.width !== w || canvas.height !== h) [canvas.width, canvas.height] = [w, h];
    this.pictureCtx.drawImage(source, 0, 0, w, h);
    this.frame = index;
    this.root.dataset.frame = String(index);
    if (this.following) this._follow();
    this.changed();
  }

  /** Draw again what depends on picture, reading or choice. */
  changed() {
    this.values = anglesOf(this.film, this.frame);
    this.redraw();
    this.timeline.show(this.frame);
    this._say();
    for (const watch of this.watchers) watch();
  }

  redraw() {
    if (this.frame < 0) return;
    const { editor, film } = this;
    const pose = this.drawing || editor?.selected ? film.pose(this.frame) : null;
    const layers = /** @type {any} */ (this.drawing ? this.layers : {});
    this.painter.draw(film, this.frame, pose, this.values, { layers, legs: this.shownLegs(), selected: editor?.selected ?? null, editing: Boolean(editor) });
    this.marks?.paint(this.painter, this.frame);
    if (editor) {
      this.timeline.selected = editor.event;
      this.timeline.range = editor.range;
      this.timeline.draw();
    }
  }

  /** @returns {Side[]} */
  shownLegs() {
    const near = this.film.reading?.near ?? "left";
    const far = near === "left" ? "right" : "left";
    if (this.legs === "both") return [near, far];
    return this.legs === "near" ? [near] : [this.legs];
  }

  _say() {
    const { film } = this;
    part(this.root, "time").textContent = `${this.time_s.toFixed(3)} s`;
    const phase = phaseWords(film.stances, this.time_s);
    part(this.root, "where").textContent = `picture ${this.frame + 1} of ${film.count}${phase ? ` · ${phase}` : ""}`;
  }

  /** One sentence of where one is, for those who can't see the picture. */
  sentence() {
    const { editor, film } = this;
    const parts = [`Picture ${this.frame + 1} of ${film.count}`, `${this.time_s.toFixed(3)} seconds`];
    const phase = phaseWords(film.stances, this.time_s);
    if (phase) parts.push(phase);
    for (const side of SIDES) {
      const p = phaseAt(film.stances, side, this.time_s);
      if (p !== null) parts.push(`${side} stride ${Math.round(100 * p)} %`);
    }
    if (editor?.selected) {
      const at = editor.place(editor.selected);
      const name = editor.selected.replace(/_/g, " ");
      parts.push(at ? `${name} selected, ${at[0].toFixed(1)} across and ${at[1].toFixed(1)} down` : `${name} selected, not visible`);
    }
    return `${parts.join(", ")}.`;
  }

  // --- moving

  /** @param {number} frame */
  go(frame) {
    this.player.pause();
    const shown = this.seeker.show(frame);
    this.onMove?.();
    return shown;
  }

  /** Carry out a command of the key map. @param {string} command @param {any[]} args @returns {any} */
  run(command, args = []) {
    const { editor, film, marks, player, seeker, stage } = this;
    const middle = /** @type {Point} */ ([stage.size[0] / 2, stage.size[1] / 2]);
    switch (command) {
      case "step": {
        player.pause();
        const shown = seeker.step(args[0]);
        this.onMove?.();
        return shown;
      }
      case "edge":
        return this.go(this.measuredPart()[args[0] > 0 ? 1 : 0]);
      case "jump":
        return this.jump(args[0], args[1]);
      case "play":
        return player.toggle();
      case "speed": {
        const i = SPEEDS.indexOf(player.share) + args[0];
        return this.setSpeed(SPEEDS[Math.min(Math.max(i, 0), SPEEDS.length - 1)]);
      }
      case "loop":
        return this.toggleLoop();
      case "zoom": {
        const at = editor?.selected ? editor.place(editor.selected) : marks?.active ? marks.cursor : null;
        return stage.zoomAt(at ? stage.toScreen(at) : middle, args[0]);
      }
      case "fit":
        this.follow(null);
        return stage.fit();
      case "pan":
        this.follow(null);
        return stage.pan(args[0], args[1]);
      case "follow": {
        const way = film.isSide ? [null, "near", "left", "right"] : [null, "left", "right"];
        return this.follow(/** @type {any} */ (way[(way.indexOf(this.following) + 1) % way.length]));
      }
      case "overlay":
        return this.setLayer("all", !this.drawing);
      case "layer":
        return this.setLayer(args[0], !this.layers[args[0]]);
      case "legs": {
        const way = /** @type {const} */ (film.isSide ? ["near", "left", "right", "both"] : ["left", "right", "both"]);
        return this.setLegs(/** @type {any} */ (way[(way.indexOf(/** @type {never} */ (this.legs)) + 1) % way.length]));
      }
      default:
        return undefined;
    }
  }

  /** @param {string|null} kind @param {1|-1} way */
  jump(kind, way) {
    const next = nextEvent(this.film.events, this.time_s, way, (e) => !kind || e.kind === kind, this._halfPicture());
    if (!next) return this.tell(way > 0 ? "No later one in this film" : "No earlier one in this film");
    return this.go(this.film.frameAt(next.time_s));
  }

  /** Half the time between pictures here, s: an event is shown in the picture nearest to it. */
  _halfPicture() {
    const { time_s, count } = this.film;
    const i = Math.min(Math.max(this.frame, 0), count - 2);
    return count > 1 ? 0.5 * (time_s[i + 1] - time_s[i]) + 1e-6 : 1e-4;
  }

  /** @param {number} share */
  setSpeed(share) {
    this.player.setSpeed(share);
    for (const box of document.querySelectorAll('[data-part="speed"]')) /** @type {HTMLSelectElement} */ (box).value = String(share);
  }

  toggleLoop() {
    const { film, player } = this;
    if (player.loop) {
      player.loop = this.timeline.loop = null;
    } else {
      const here = SIDES.map((side) => strideAt(film.stances, side, this.time_s)).filter((s) => s !== null);
      // The stride of the foot that is on the ground or landed last.
      const stride = here.sort((a, b) => b.ic_s - a.ic_s)[0];
      if (!stride || stride.next_ic_s === null) return this.tell("There is no whole stride here to go round");
      player.loop = [film.frameAt(stride.ic_s), film.frameAt(stride.next_ic_s)];
      this.timeline.loop = [stride.ic_s, stride.next_ic_s];
      this.tell(`Going round the ${stride.side} stride from ${stride.ic_s.toFixed(3)} to ${stride.next_ic_s.toFixed(3)} s`);
    }
    for (const button of document.querySelectorAll('[data-part="loop"]')) button.setAttribute("aria-pressed", String(Boolean(player.loop)));
    this.timeline.draw();
    if (player.loop && !player.playing) player.play();
    return undefined;
  }

  /** @param {"near"|"left"|"right"|null} side */
  follow(side) {
    if (side === this.following) return;
    this.following = side;
    for (const box of document.querySelectorAll('[data-part="follow"]')) /** @type {HTMLSelectElement} */ (box).value = side ?? "";
    if (side) this._follow(Math.max(this.stage.zoom, FOOT_ZOOM));
    else this.stage.fit();
  }

  /** @param {number} [zoom] */
  _follow(zoom) {
    const side = this.following === "near" ? (this.film.reading?.near ?? "left") : this.following;
    const pose = this.film.pose(this.frame);
    if (!side || !pose) return;
    const points = ["ankle", "heel", "toe"].map((p) => this.film.index[`${side}_${p}`]);
    const mean = /** @type {Point} */ ([0, 1].map((d) => points.reduce((s, j) => s + pose.xy[2 * j + d], 0) / points.length));
    if (mean.every(Number.isFinite)) this.stage.centreOn(mean, zoom ? zoom * this.stage.fitScale : this.stage.scale);
  }

  /** @param {string} name @param {boolean} on */
  setLayer(name, on) {
    if (name === "all") this.drawing = on;
    else {
      this.layers[name] = on;
      if (on) this.drawing = true;
    }
    for (const box of /** @type {NodeListOf<HTMLInputElement>} */ (document.querySelectorAll("[data-layer]"))) {
      const layer = box.dataset.layer ?? "";
      box.checked = layer === "all" ? this.drawing : this.layers[layer];
    }
    this.redraw();
  }

  /** @param {"near"|"left"|"right"|"both"} legs */
  setLegs(legs) {
    this.legs = legs;
    for (const box of document.querySelectorAll('[data-part="legs"]')) /** @type {HTMLSelectElement} */ (box).value = legs;
    this.redraw();
  }

  /** @param {boolean} playing */
  _state(playing) {
    for (const button of document.querySelectorAll('[data-part="play"]')) {
      button.classList.toggle("playing", playing);
      button.setAttribute("aria-label", playing ? "Pause" : "Play");
    }
    this.root.classList.toggle("playing", playing);
    if (!playing) this.changed();
  }

  /** Tell a person something, for a while. @param {string} text @param {string} [kind] */
  tell(text, kind = "") {
    const line = part(document, "say") ?? part(document, "pair-say");
    if (!line) return;
    line.textContent = text;
    line.dataset.kind = kind;
  }

  // --- pointers

  /** Dragging on the jog strip goes picture by picture. @param {HTMLElement|null} strip */
  _jog(strip) {
    if (!strip) return;
    let from = 0;
    let frame = 0;
    let held = false;
    strip.addEventListener("pointerdown", (event) => {
      held = true;
      [from, frame] = [event.clientX, this.seeker.shown];
      strip.setPointerCapture(event.pointerId);
      this.player.pause();
      event.preventDefault();
    });
    strip.addEventListener("pointermove", (event) => {
      if (!held) return;
      strip.style.setProperty("--fv-jog", `${event.clientX - from}px`);
      this.go(frame + Math.round((event.clientX - from) / JOG_PX));
    });
    for (const end of ["pointerup", "pointercancel"]) {
      strip.addEventListener(end, () => {
        held = false;
        strip.style.setProperty("--fv-jog", "0px");
      });
    }
  }

  /** Wheel and pinch zoom, drag pans; a landmark or mark under the pointer is taken instead. */
  _pointers() {
    const { stage, stageElement } = this;
    /** @type {Map<number, Point>} */ const down = new Map();
    /** @type {{from: Point, last: Point, moved: boolean, take: {move: (to: Point) => void, drop: (moved: boolean) => void}|null}|null} */
    let hold = null;
    stageElement.addEventListener(
      "wheel",
      (event) => {
        event.preventDefault();
        stage.zoomAt(stage.at(event), Math.exp(-event.deltaY * (event.ctrlKey ? 0.01 : 0.0022)));
      },
      { passive: false },
    );
    stageElement.addEventListener("pointerdown", (event) => {
      if (event.button !== 0) return;
      stageElement.focus({ preventScroll: true });
      event.preventDefault();
      const at = stage.at(event);
      down.set(event.pointerId, at);
      stageElement.setPointerCapture(event.pointerId);
      if (down.size === 2) {
        hold?.take?.drop(false);
        hold = null;
        return;
      }
      const finger = event.pointerType === "touch";
      hold = { from: at, last: at, moved: false, take: this.takeAt?.(at, finger) ?? null };
    });
    stageElement.addEventListener("pointermove", (event) => {
      const at = stage.at(event);
      const before = down.get(event.pointerId);
      if (!before) return;
      if (down.size === 2) {
        const other = /** @type {Point} */ ([...down].find(([id]) => id !== event.pointerId)?.[1]);
        const far = (/** @type {Point} */ p) => Math.hypot(p[0] - other[0], p[1] - other[1]);
        stage.zoomAt([(at[0] + other[0]) / 2, (at[1] + other[1]) / 2], far(at) / Math.max(far(before), 1));
        stage.pan((at[0] - before[0]) / 2, (at[1] - before[1]) / 2);
      } else if (hold) {
        if (!hold.moved && Math.hypot(at[0] - hold.from[0], at[1] - hold.from[1]) > 3) hold.moved = true;
        if (hold.moved) {
          if (hold.take) hold.take.move([(at[0] - hold.from[0]) / stage.scale, (at[1] - hold.from[1]) / stage.scale]);
          else {
            if (this.following) this.follow(null);
            stage.pan(at[0] - hold.last[0], at[1] - hold.last[1]);
          }
        }
        hold.last = at;
      }
      down.set(event.pointerId, at);
    });
    const end = (/** @type {PointerEvent} */ event, /** @type {boolean} */ good) => {
      down.delete(event.pointerId);
      if (!hold || down.size) return;
      const { take, moved, from } = hold;
      hold = null;
      if (take) take.drop(good && moved);
      else if (good && !moved) this.clickAt?.(from);
    };
    stageElement.addEventListener("pointerup", (event) => end(event, true));
    stageElement.addEventListener("pointercancel", (event) => end(event, false));
  }

  /**
   * What a pointer takes up at a place of the frame; set by the page. Its `move` gets the way gone since, px of the film.
   * @type {((at: Point, finger: boolean) => {move: (by: Point) => void, drop: (moved: boolean) => void}|null)|null}
   */
  takeAt = null;

  /** A press that took nothing up; set by the page. @type {((at: Point) => void)|null} */
  clickAt = null;
}
