// Native dialogs: opened by [data-dialog="id"], closed by [data-close] or a press beside them; focus goes back where it was.

/** @param {HTMLDialogElement} dialog */
export function openDialog(dialog) {
  const before = document.activeElement;
  dialog.showModal();
  dialog.addEventListener("close", () => { if (before instanceof HTMLElement) before.focus(); }, { once: true });
}

document.addEventListener("click", (event) => {
  const target = event.target;
  if (!(target instanceof Element)) return;
  const opener = target.closest("[data-dialog]");
  if (opener) {
    const dialog = document.getElementById(opener.getAttribute("data-dialog") ?? "");
    if (dialog instanceof HTMLDialogElement) { event.preventDefault(); openDialog(dialog); }
    return;
  }
  if (target.closest("[data-close]")) { target.closest("dialog")?.close(); return; }
  if (target instanceof HTMLDialogElement) target.close();
});
