// Light or dark as chosen before, set before the first paint: this one file is no module, so that it runs at once.
(() => {
  const kept = (() => { try { return localStorage.getItem("theme"); } catch { return null; } })();
  if (kept === "light" || kept === "dark") document.documentElement.dataset.theme = kept;
  document.documentElement.classList.add("scripts");
})();
