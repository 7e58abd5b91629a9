// The one key map of the viewer: what a key does and what the help sheet says of it.
//
// Chosen so that keys lie as what they do lies: u i above j k are toe-off above contact, the left key of each pair is the
// left foot; w a s d moves a point; brackets are speed; comma and full stop begin and end a part.

/** @typedef {{command: string, args?: any[], keys: string[], words: string, group: string, pair?: boolean}} Entry */

/** `pair`: also where two films are watched side by side. @type {Entry[]} */
export const KEYS = [
  { group: "Moving through the film", command: "step", args: [1], keys: ["ArrowRight"], words: "next picture; hold to scrub", pair: true },
  { group: "Moving through the film", command: "step", args: [-1], keys: ["ArrowLeft"], words: "picture before; hold to scrub", pair: true },
  { group: "Moving through the film", command: "step", args: [10], keys: ["Shift+ArrowRight"], words: "ten pictures on", pair: true },
  { group: "Moving through the film", command: "step", args: [-10], keys: ["Shift+ArrowLeft"], words: "ten pictures back", pair: true },
  { group: "Moving through the film", command: "edge", args: [-1], keys: ["Home"], words: "start of the measured part", pair: true },
  { group: "Moving through the film", command: "edge", args: [1], keys: ["End"], words: "end of the measured part", pair: true },
  { group: "Moving through the film", command: "jump", args: ["initial_contact", 1], keys: ["c"], words: "next contact of either foot", pair: true },
  { group: "Moving through the film", command: "jump", args: ["initial_contact", -1], keys: ["Shift+c"], words: "contact before", pair: true },
  { group: "Moving through the film", command: "jump", args: ["toe_off", 1], keys: ["t"], words: "next toe-off of either foot", pair: true },
  { group: "Moving through the film", command: "jump", args: ["toe_off", -1], keys: ["Shift+t"], words: "toe-off before", pair: true },
  { group: "Moving through the film", command: "jump", args: [null, 1], keys: ["e"], words: "next contact or toe-off", pair: true },
  { group: "Moving through the film", command: "jump", args: [null, -1], keys: ["Shift+e"], words: "contact or toe-off before", pair: true },
  { group: "Playing", command: "play", keys: ["Space"], words: "play or pause", pair: true },
  { group: "Playing", command: "speed", args: [1], keys: ["["], words: "slower", pair: true },
  { group: "Playing", command: "speed", args: [-1], keys: ["]"], words: "faster", pair: true },
  { group: "Playing", command: "loop", keys: ["l"], words: "round and round the stride shown", pair: true },
  { group: "Looking", command: "zoom", args: [1.25], keys: ["+", "="], words: "zoom in (on the selected point, if any)", pair: true },
  { group: "Looking", command: "zoom", args: [0.8], keys: ["-"], words: "zoom out", pair: true },
  { group: "Looking", command: "fit", keys: ["0"], words: "whole picture", pair: true },
  { group: "Looking", command: "pan", args: [80, 0], keys: ["Ctrl+ArrowLeft"], words: "move the picture right", pair: true },
  { group: "Looking", command: "pan", args: [-80, 0], keys: ["Ctrl+ArrowRight"], words: "move the picture left", pair: true },
  { group: "Looking", command: "pan", args: [0, 80], keys: ["Ctrl+ArrowUp"], words: "move the picture down", pair: true },
  { group: "Looking", command: "pan", args: [0, -80], keys: ["Ctrl+ArrowDown"], words: "move the picture up", pair: true },
  { group: "Looking", command: "follow", keys: ["f"], words: "zoom to a foot and follow it: near, left, right, off", pair: true },
  { group: "Looking", command: "overlay", keys: ["o"], words: "drawing on the picture on or off", pair: true },
  { group: "Looking", command: "layer", args: ["skeleton"], keys: ["1"], words: "skeleton", pair: true },
  { group: "Looking", command: "layer", args: ["angles"], keys: ["2"], words: "angles", pair: true },
  { group: "Looking", command: "layer", args: ["verticals"], keys: ["3"], words: "lines to the vertical", pair: true },
  { group: "Looking", command: "layer", args: ["distance"], keys: ["4"], words: "foot-to-body distance", pair: true },
  { group: "Looking", command: "layer", args: ["events"], keys: ["5"], words: "contacts and toe-offs", pair: true },
  { group: "Looking", command: "layer", args: ["stickers"], keys: ["6"], words: "stickers", pair: true },
  { group: "Looking", command: "legs", keys: ["b"], words: "which leg the angles are drawn for", pair: true },
  { group: "Correcting a landmark", command: "select", args: [1], keys: ["n"], words: "select the next landmark (Tab too, once one is selected)" },
  { group: "Correcting a landmark", command: "select", args: [-1], keys: ["Shift+n"], words: "select the landmark before" },
  { group: "Correcting a landmark", command: "nudge", args: [0, -1], keys: ["w"], words: "move it up by a pixel (less when zoomed in)" },
  { group: "Correcting a landmark", command: "nudge", args: [-1, 0], keys: ["a"], words: "move it left" },
  { group: "Correcting a landmark", command: "nudge", args: [0, 1], keys: ["s"], words: "move it down" },
  { group: "Correcting a landmark", command: "nudge", args: [1, 0], keys: ["d"], words: "move it right" },
  { group: "Correcting a landmark", command: "nudge", args: [0, -5], keys: ["Shift+w"], words: "up by five" },
  { group: "Correcting a landmark", command: "nudge", args: [-5, 0], keys: ["Shift+a"], words: "left by five" },
  { group: "Correcting a landmark", command: "nudge", args: [0, 5], keys: ["Shift+s"], words: "down by five" },
  { group: "Correcting a landmark", command: "nudge", args: [5, 0], keys: ["Shift+d"], words: "right by five" },
  { group: "Correcting a landmark", command: "place", keys: ["Enter"], words: "select a landmark; while marking, put a mark at the crosshair" },
  { group: "Correcting a landmark", command: "hide", args: [false], keys: ["x"], words: "not visible in this picture" },
  { group: "Correcting a landmark", command: "hide", args: [true], keys: ["Shift+x"], words: "not visible in the chosen part" },
  { group: "Correcting a landmark", command: "escape", keys: ["Escape"], words: "let go of landmark, event or mark" },
  { group: "A part of the film", command: "range", args: [0], keys: [","], words: "the part begins here" },
  { group: "A part of the film", command: "range", args: [1], keys: ["."], words: "the part ends here" },
  { group: "A part of the film", command: "swap", keys: ["y"], words: "exchange left and right leg in the part" },
  { group: "Contacts and toe-offs", command: "event", args: ["left", "initial_contact"], keys: ["j"], words: "left foot: contact here" },
  { group: "Contacts and toe-offs", command: "event", args: ["right", "initial_contact"], keys: ["k"], words: "right foot: contact here" },
  { group: "Contacts and toe-offs", command: "event", args: ["left", "toe_off"], keys: ["u"], words: "left foot: toe-off here" },
  { group: "Contacts and toe-offs", command: "event", args: ["right", "toe_off"], keys: ["i"], words: "right foot: toe-off here" },
  { group: "Contacts and toe-offs", command: "pickEvent", keys: ["v"], words: "select the nearest contact or toe-off" },
  { group: "Contacts and toe-offs", command: "remove", keys: ["Delete", "Backspace"], words: "take the selected one away" },
  { group: "Contacts and toe-offs", command: "leaveOut", args: ["left"], keys: ["Shift+j"], words: "leave out the left stride shown" },
  { group: "Contacts and toe-offs", command: "leaveOut", args: ["right"], keys: ["Shift+k"], words: "leave out the right stride shown" },
  { group: "Undo and marks", command: "undo", keys: ["Ctrl+z"], words: "undo" },
  { group: "Undo and marks", command: "redo", keys: ["Ctrl+Shift+z", "Ctrl+y"], words: "do it again" },
  { group: "Undo and marks", command: "marking", keys: ["m"], words: "marks: ground, length, roll, stickers" },
];

const SHOWN = /** @type {Record<string, string>} */ ({
  ArrowRight: "→", ArrowLeft: "←", ArrowUp: "↑", ArrowDown: "↓", Escape: "Esc", Delete: "Del",
});
const BY_KEY = new Map(KEYS.flatMap((entry) => entry.keys.map((key) => [key, entry])));

/** How a key press is written in the map. @param {KeyboardEvent} event */
export function written(event) {
  let key = event.key === " " ? "Space" : event.key;
  const letter = /^\p{L}$/u.test(key);
  if (letter) key = key.toLowerCase();
  const shift = event.shiftKey && (letter || key.length > 1) ? "Shift+" : "";
  return `${event.ctrlKey || event.metaKey ? "Ctrl+" : ""}${shift}${key}`;
}

/** Whether a focused control needs the key itself. @param {EventTarget|null} target @param {string} key */
function taken(target, key) {
  if (!(target instanceof HTMLElement)) return false;
  if (target.isContentEditable || target instanceof HTMLTextAreaElement || target instanceof HTMLSelectElement) return true;
  if (target instanceof HTMLInputElement) {
    if (!["checkbox", "radio", "range", "button", "submit"].includes(target.type)) return true;
    return key === "Space" || (target.type !== "checkbox" && key.includes("Arrow"));
  }
  if (target.getAttribute("role") === "tab" && /Arrow|Home|End/.test(key)) return true;
  const presses = target.closest("button, a, summary");
  return Boolean(presses) && (key === "Space" || key === "Enter");
}

/**
 * The entry a key press stands for, or null.
 * @param {KeyboardEvent} event @param {boolean} pair
 */
export function entryOf(event, pair = false) {
  if (event.altKey || event.isComposing || document.querySelector("dialog[open]")) return null;
  const key = written(event);
  const entry = BY_KEY.get(key);
  if (!entry || (pair && !entry.pair) || taken(event.target, key)) return null;
  return entry;
}

/** Keys as people read them. @param {string} key */
function caps(key) {
  return key.split(/\+(?=.)/).map((part) => {
    const cap = document.createElement("kbd");
    cap.textContent = SHOWN[part] ?? part;
    return cap;
  });
}

/** Write the help sheet's part. @param {Element} target @param {boolean} pair */
export function writeSheet(target, pair = false) {
  const groups = [...new Set(KEYS.filter((k) => !pair || k.pair).map((k) => k.group))];
  target.replaceChildren(
    ...groups.map((group) => {
      const title = document.createElement("h3");
      title.textContent = group;
      const list = document.createElement("dl");
      list.className = "keys";
      for (const entry of KEYS.filter((k) => k.group === group && (!pair || k.pair))) {
        const keys = document.createElement("dt");
        entry.keys.forEach((key, i) => keys.append(...(i ? [" or "] : []), ...caps(key).flatMap((c, n) => (n ? [" ", c] : [c]))));
        const words = document.createElement("dd");
        words.textContent = entry.words;
        list.append(keys, words);
      }
      const section = document.createElement("section");
      section.append(title, list);
      return section;
    }),
  );
}
