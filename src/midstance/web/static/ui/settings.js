// The lens from pictures of the board: sent, and what comes back is shown to be copied.

import { api } from "./api.js";

const form = document.querySelector("[data-lens]");
const result = document.querySelector("[data-lens-result]");
const fault = document.querySelector("[data-lens-fault]");
if (form instanceof HTMLFormElement && result instanceof HTMLElement && fault instanceof HTMLElement) {
  const button = form.querySelector("button");
  const area = result.querySelector("textarea");
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    event.stopPropagation();
    fault.hidden = true;
    result.hidden = true;
    if (button) { button.disabled = true; button.textContent = "Working it out …"; }
    try {
      const lens = await api("/api/lens", { method: "POST", body: new FormData(form) });
      if (area) area.value = JSON.stringify(lens.lens ?? lens, null, 2);
      result.hidden = false;
    } catch (error) {
      fault.textContent = error instanceof Error ? error.message : "It didn't work.";
      fault.setAttribute("role", "alert");
      fault.hidden = false;
    } finally {
      if (button) { button.disabled = false; button.textContent = "Work out the lens"; }
    }
  });
  result.querySelector("[data-copy]")?.addEventListener("click", async (event) => {
    if (!area || !(event.target instanceof HTMLElement)) return;
    area.select();
    await navigator.clipboard?.writeText(area.value);
    event.target.textContent = "Copied";
  });
}
