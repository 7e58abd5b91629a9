// Small help in forms: more rows for pain, what a pace comes to.

const more = document.querySelector("[data-more-pain]");
if (more instanceof HTMLButtonElement) {
  const rows = [...document.querySelectorAll("[data-pain]")];
  const next = () => rows.find((row) => row instanceof HTMLElement && row.hidden);
  more.hidden = !next();
  more.addEventListener("click", () => {
    const row = next();
    if (row instanceof HTMLElement) { row.hidden = false; row.querySelector("input")?.focus(); }
    more.hidden = !next();
  });
}

/** @param {string} text @returns {number | null} m/s */
export function speedOf(text) {
  const clean = text.trim().toLowerCase().replace(",", ".");
  const pace = /^(\d{1,2}):([0-5]\d(?:\.\d+)?)\s*(?:min)?\s*(?:\/|per)?\s*(km|mi|mile)?$/.exec(clean);
  if (pace) {
    const seconds = 60 * Number(pace[1]) + Number(pace[2]);
    return seconds > 0 ? (pace[3] && pace[3] !== "km" ? 1609.344 : 1000) / seconds : null;
  }
  const speed = /^(\d+(?:\.\d+)?)\s*(km\/?h|kph|m\/?s|mph)$/.exec(clean);
  if (!speed) return null;
  const unit = speed[2].replace("/", "");
  return Number(speed[1]) * (unit === "ms" ? 1 : unit === "mph" ? 1609.344 / 3600 : 1 / 3.6);
}

const field = document.querySelector("[data-pace]");
if (field instanceof HTMLInputElement) {
  const said = document.createElement("p");
  said.className = "hint";
  said.setAttribute("role", "status");
  field.after(said);
  const show = () => {
    const speed = speedOf(field.value);
    if (!speed || speed < 0.5) { said.textContent = ""; return; }
    const seconds = Math.round(1000 / speed);
    said.textContent = `= ${Math.floor(seconds / 60)}:${String(seconds % 60).padStart(2, "0")} per km, ${(3.6 * speed).toFixed(1)} km/h, ${speed.toFixed(2)} m/s`;
  };
  field.addEventListener("input", show);
  show();
}
