// The page of one film: the viewer with editing, marks and the sheets beside it.

import { Problem, ask, words } from "./api.js";
import { Editor } from "./edit.js";
import { Film } from "./film.js";
import { entryOf, writeSheet } from "./keys.js";
import { Marks } from "./marks.js";
import { MarkSheet } from "./marksheet.js";
import { el, fillLandmarks, markHere, sheets, writeAngles, writeCorrections, writeEvents, writeMeasures, writePlace } from "./panel.js";
import { FilmSheet } from "./filmsheet.js";
import { Viewer, part } from "./viewer.js";
import { wire } from "./wire.js";

/** @typedef {[number, number]} Point */

const REACH_PX = 16;
const FINGER_PX = 30;
const SAY_AFTER_MS = 450;

const root = /** @type {HTMLElement} */ (document.querySelector("[data-viewer]"));
const note = /** @type {HTMLElement} */ (part(root, "note"));

/** A message that stays, with things to do about it. @param {string} text @param {string} kind @param {[string, () => void][]} [deeds] */
function stay(text, kind, deeds = []) {
  note.hidden = !text;
  note.dataset.kind = kind;
  note.replaceChildren(el("p", {}, text), ...(deeds.length ? [el("div", { class: "actions" }, ...deeds.map(([label, deed]) => el("button", { class: "button small", type: "button", onclick: deed }, label)))] : []));
}

/** Scroll a row of a sheet into sight, and only the sheet. @param {HTMLElement|null} row */
function bring(row) {
  const sheet = row?.closest(".fv-sheet");
  if (row && sheet) sheet.scrollTop += row.getBoundingClientRect().top - sheet.getBoundingClientRect().top - sheet.clientHeight / 2;
}

async function open() {
  const film = await Film.load(root.dataset.film ?? "");
  const viewer = new Viewer(root, film);
  /** @type {any[]|null} */ let measuresBefore = null;
  /** @type {Map<string, any>} */ let infos = new Map();
  ask("GET", "/api/measures").then((answer) => {
    infos = new Map((answer.items ?? answer).map((/** @type {any} */ m) => [m.key, m]));
    sheetMeasures();
  }, () => {});

  const show = sheets(root, (key) => {
    root.dataset.sheet = key;
    if (key === "events") bring(markHere(part(root, "events"), viewer.time_s));
    if (key !== "marks" && marks.active) marks.use(null);
    if (key === "marks" && !marks.active) markSheet.choose(markSheet.last);
  });

  const editor = new Editor(film, {
    frame: () => viewer.frame,
    show: (f) => viewer.go(f),
    redraw: () => viewer.changed(),
    reveal: (p) => viewer.stage.reveal(p),
    say: (text, kind) => viewer.tell(text, kind),
    taken: (before) => {
      measuresBefore = before?.measures ?? null;
      if (film.reading.problem) stay(`Not measurable as it stands: ${film.reading.problem.what}. ${film.reading.problem.next_step ?? ""}`, "warn");
      else stay("", "");
      sheetAll();
      viewer.changed();
    },
  });
  const marks = new Marks(film, {
    frame: () => viewer.frame,
    redraw: () => viewer.redraw(),
    reveal: (p) => viewer.stage.reveal(p),
    say: (text, kind) => viewer.tell(text, kind),
    changed: () => {
      if (marks.active && editor.selected) editor.select(null);
      markSheet.write();
    },
  });
  const reread = async () => {
    await film.reread();
    sheetAll();
    viewer.player.part = viewer.measuredPart();
    viewer.changed();
  };
  const filmSheet = new FilmSheet(root, film, { frame: () => viewer.frame, stay, say: (text, kind) => viewer.tell(text, kind), reread });
  const markSheet = new MarkSheet(root, film, marks, { stay, saved: () => filmSheet.followWork(), go: (f) => viewer.go(f) });
  const editing = film.reading !== null;
  if (editing) viewer.editor = editor;
  viewer.timeline.editable = editing;
  viewer.marks = marks;
  fillLandmarks(part(root, "landmark"));
  if (!film.isSide) for (const none of root.querySelectorAll('[data-part="follow"] [value="near"], [data-part="legs"] [value="near"]')) none.remove();

  // --- what is written beside the picture

  function sheetMeasures() {
    writeMeasures(part(root, "measures"), film.reading?.measures ?? [], measuresBefore, infos);
  }
  function sheetEvents() {
    writeEvents(part(root, "events"), film, editor.event, {
      go: (e) => {
        editor.pickEvent(e);
        viewer.go(film.frameAt(e.time_s));
      },
      remove: (e) => {
        editor.pickEvent(e);
        editor.removeEvent();
      },
    });
  }
  function sheetAll() {
    sheetMeasures();
    sheetEvents();
    const on = {
      go: (/** @type {any} */ c) => {
        viewer.go(film.frameAt(c.time_s));
        if (c.landmark) editor.select(c.landmark);
      },
      change: (/** @type {string} */ id, /** @type {"withdraw"|"restore"} */ what) => editor.change(id, what),
    };
    writeCorrections(part(root, "corrections"), film.reading?.corrections ?? [], "withdraw", on);
    writeCorrections(part(root, "withdrawn"), film.reading?.withdrawn ?? [], "restore", on);
    part(root, "withdrawn-fold").hidden = !film.reading?.withdrawn?.length;
    filmSheet.write();
    markSheet.write();
  }

  let sayTimer = 0;
  let lastEvent = /** @type {any} */ (null);
  viewer.watchers.push(() => {
    if (!viewer.player.playing) writeAngles(part(root, "angles"), viewer.values);
    writePlace(part(root, "place"), editor, film, viewer.frame);
    part(root, "landmark").value = editor.selected ?? "";
    part(root, "from").textContent = editor.range[0] === null ? "–" : `${editor.range[0].toFixed(3)} s`;
    part(root, "to").textContent = editor.range[1] === null ? "–" : `${editor.range[1].toFixed(3)} s`;
    part(root, "badge").hidden = !(editor.busy || editor.pending);
    part(root, "badge").textContent = editor.busy ? "measuring anew …" : "not kept yet";
    if (editor.event !== lastEvent) sheetEvents();
    lastEvent = editor.event;
    markHere(part(root, "events"), viewer.time_s);
    clearTimeout(sayTimer);
    sayTimer = setTimeout(() => {
      if (!viewer.player.playing) part(root, "live").textContent = viewer.sentence();
    }, SAY_AFTER_MS);
  });

  // --- pointers on the picture

  viewer.takeAt = (at, finger) => {
    const reach = (finger ? FINGER_PX : REACH_PX) / viewer.stage.scale;
    const p = viewer.stage.toFilm(at);
    viewer.player.pause();
    if (marks.active) {
      const h = marks.near(p, reach);
      if (!h) return null;
      const from = h.get();
      marks.held = h;
      return { move: (by) => marks.moveTo(h, [from[0] + by[0], from[1] + by[1]]), drop: () => {} };
    }
    if (!editing || filmSheet.picking || (!viewer.drawing && !editor.selected)) return null;
    // A landmark already selected is kept hold of, even where others lie on top of it.
    const own = editor.selected ? editor.place(editor.selected) : null;
    const name = own && Math.hypot(own[0] - p[0], own[1] - p[1]) <= reach ? editor.selected : editor.near(p, reach);
    if (!name) return null;
    const was = editor.selected;
    if (was !== name) editor.settle();
    // A finger hides what it touches: the first touch selects, the next drags.
    const only = finger && was !== name;
    editor.selected = name;
    const from = editor.place(name);
    viewer.changed();
    return {
      move: (by) => {
        if (only || !from) return;
        if (!film.pose(viewer.frame)?.exact) return;
        editor.drag([from[0] + by[0], from[1] + by[1]]);
      },
      drop: (moved) => {
        if (moved && !only) editor.settle();
        else editor.select(name);
      },
    };
  };
  viewer.clickAt = (at) => {
    const p = viewer.stage.toFilm(at);
    if (filmSheet.picking) filmSheet.picked(p);
    else if (marks.active) marks.put(p);
    else if (editor.selected) editor.select(null);
  };

  // --- commands

  // What is said of "this picture" is of the one that is on its way, once it is there.
  const ofThisPicture = new Set(["event", "hide", "leaveOut", "nudge", "pickEvent", "place", "range", "remove", "select", "swap"]);
  /** @param {string} command @param {any[]} args */
  const run = (command, args) => (ofThisPicture.has(command) && viewer.seeker.busy ? viewer.seeker.arrived().then(() => act(command, args)) : act(command, args));
  /** @param {string} command @param {any[]} args @returns {any} */
  const act = (command, args) => {
    const step = Math.min(1, 1 / viewer.stage.scale);
    const centre = () => viewer.stage.toFilm([viewer.stage.size[0] / 2, viewer.stage.size[1] / 2]);
    const needsReading = () => {
      if (editing) return false;
      viewer.tell("The film isn't read yet: it can be watched and marked, not corrected", "warn");
      return true;
    };
    switch (command) {
      case "marking":
        if (marks.active) {
          marks.use(null);
          return show("angles");
        }
        return show("marks");
      case "escape":
        if (filmSheet.picking) return filmSheet.pick(false);
        if (marks.held) {
          marks.held = null;
          return viewer.redraw();
        }
        if (marks.active) return run("marking", []);
        if (editor.drop()) return undefined;
        if (editor.event) return editor.pickEvent(null);
        return editor.select(null);
      case "nudge":
        if (marks.active) return marks.nudge(args[0] * step, args[1] * step);
        return needsReading() || editor.nudge(args[0] * step, args[1] * step, centre());
      case "place":
        if (marks.active) return marks.put(marks.cursor);
        return needsReading() || editor.selectNext(1);
      case "select":
        if (marks.active) return marks.holdNext(args[0]);
        return needsReading() || editor.selectNext(args[0]);
      case "remove":
        if (marks.active) return markSheet.dropHeld();
        return needsReading() || editor.removeEvent();
      case "hide":
        return needsReading() || editor.hide(args[0]);
      case "range":
        return editor.setRange(args[0]);
      case "swap":
        return needsReading() || editor.swap();
      case "leaveOut":
        return needsReading() || editor.leaveOut(args[0]);
      case "event":
        return needsReading() || editor.setEvent(args[0], args[1]);
      case "pickEvent":
        return editor.pickNearestEvent();
      case "undo":
        return marks.active && marks.dirty ? viewer.tell("Marks aren't kept yet: take single ones away, or discard the changes", "warn") : editor.undo();
      case "redo":
        return editor.redo();
      default:
        return viewer.run(command, args);
    }
  };
  wire(root, run, viewer, () => viewer.stageElement);
  document.addEventListener("keydown", (event) => {
    // Tab goes through the landmarks once one is selected, until Esc lets it go.
    if (event.key === "Tab" && editor.selected && document.activeElement === viewer.stageElement && !event.ctrlKey && !event.altKey) {
      event.preventDefault();
      run("select", [event.shiftKey ? -1 : 1]);
      return;
    }
    const entry = entryOf(event);
    if (!entry || (entry.command === "place" && document.activeElement !== viewer.stageElement)) return;
    event.preventDefault();
    run(entry.command, entry.args ?? []);
  });
  part(root, "landmark").addEventListener("change", (/** @type {Event} */ event) => editor.select(/** @type {HTMLSelectElement} */ (event.target).value || null));
  part(root, "place").addEventListener("submit", (/** @type {SubmitEvent} */ event) => {
    event.preventDefault();
    const form = /** @type {HTMLFormElement} */ (event.target);
    const [x, y] = ["x", "y"].map((n) => /** @type {HTMLInputElement} */ (form.elements.namedItem(n)).valueAsNumber);
    if (Number.isFinite(x) && Number.isFinite(y)) {
      editor.drag([x, y]);
      editor.settle();
    }
  });
  addEventListener("beforeunload", (event) => {
    if (marks.dirty || editor.pending || editor.busy) event.preventDefault();
  });
  for (const place of document.querySelectorAll("[data-viewer-keys]")) writeSheet(place);

  const at = root.dataset.at ? Number(root.dataset.at) : NaN;
  await viewer.start(Number.isFinite(at) ? at : null);
  viewer.setLegs(viewer.legs);
  sheetAll();
  // For tests and for people who look under the bonnet.
  /** @type {any} */ (root).viewer = viewer;
  if (film.unread) {
    stay(film.unread instanceof Problem && film.unread.status === 404 ? "The landmarks of this film aren't read yet. It can be watched and marked meanwhile." : words(film.unread), "warn");
    filmSheet.followWork();
  } else if (film.reading.problem) {
    stay(`Not measurable as it stands: ${film.reading.problem.what}. ${film.reading.problem.next_step ?? ""}`, "warn");
  } else if (film.reading.marks_wait) filmSheet.followWork();
}

open().catch((error) => {
  part(root, "wait").textContent = "The film can't be shown.";
  stay(words(error), "bad", [["Try again", () => location.reload()]]);
});
