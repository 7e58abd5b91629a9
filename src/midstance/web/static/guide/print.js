// The list's print button.
const button = document.querySelector("[data-print]");
if (button instanceof HTMLButtonElement) {
  button.hidden = false;
  button.addEventListener("click", () => window.print());
}
