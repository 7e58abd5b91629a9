// Buttons and fields that stand for commands of the key map.

import { part } from "./viewer.js";

/**
 * @param {HTMLElement} scope
 * @param {(command: string, args: any[]) => any} run
 * @param {{setSpeed: (share: number) => void, follow: (side: any) => void, setLegs: (legs: any) => void, setLayer: (name: string, on: boolean) => void}} on
 * @param {() => HTMLElement} picture
 */
export function wire(scope, run, on, picture) {
  // Who works with a pointer has the keys act on the picture again after a button or choice in the bar; who works with keys stays there.
  let byPointer = false;
  scope.addEventListener("pointerdown", () => { byPointer = true; }, { capture: true });
  scope.addEventListener("keydown", () => { byPointer = false; }, { capture: true });
  const back = (/** @type {Event} */ event) => {
    const target = /** @type {Element} */ (event.target);
    const choice = event.type === "change" && !(target instanceof HTMLInputElement && target.type === "number");
    const pressed = event.type === "click" && target.closest("button");
    if (byPointer && (choice || pressed) && target.closest(".fv-bar") && !target.closest(".fv-menu")) picture().focus({ preventScroll: true });
  };
  scope.addEventListener("change", back);
  scope.addEventListener("click", back);
  scope.addEventListener("click", (event) => {
    const button = /** @type {HTMLElement|null} */ (/** @type {Element} */ (event.target).closest("[data-do]"));
    if (button) run(button.dataset.do ?? "", JSON.parse(button.dataset.args ?? "[]"));
  });
  part(scope, "speed").addEventListener("change", (/** @type {any} */ e) => on.setSpeed(Number(e.target.value)));
  part(scope, "follow").addEventListener("change", (/** @type {any} */ e) => on.follow(e.target.value || null));
  part(scope, "legs").addEventListener("change", (/** @type {any} */ e) => on.setLegs(e.target.value));
  for (const box of /** @type {NodeListOf<HTMLInputElement>} */ (scope.querySelectorAll("[data-layer]"))) {
    box.addEventListener("change", () => on.setLayer(box.dataset.layer ?? "", box.checked));
  }
  // A menu closes when one goes on elsewhere.
  const menu = /** @type {HTMLDetailsElement} */ (part(scope, "layers"));
  document.addEventListener("pointerdown", (event) => {
    if (menu.open && !menu.contains(/** @type {Node} */ (event.target))) menu.open = false;
  });
  menu.addEventListener("keydown", (event) => {
    if (event.key !== "Escape" || !menu.open) return;
    menu.open = false;
    menu.querySelector("summary")?.focus();
    event.stopPropagation();
  });
}
