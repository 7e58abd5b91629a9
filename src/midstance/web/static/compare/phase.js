// The slider over the stride: both films at the same place, each with its exact frame. The server has worked out which frame that
// is; this only shows it.

const view = document.querySelector("[data-phase]");
/** How many pictures around the one shown are fetched ahead. */
const AHEAD = 3;

/**
 * @typedef {{n: number, t: number, x: number, y: number, leg: number[][]}} Frame
 * @typedef {{film: string, width: number, height: number, box: [number, number], frames: Frame[]}} Film
 */

/** @param {Film} film @param {Frame} frame */
const address = (film, frame) => `/api/films/${film.film}/frames/${frame.n}.jpg?width=1280`;

/** What a place is called. @param {number} index @param {number} steps */
function place(index, steps) {
  if (index === 0) return "Initial contact";
  if (index === steps) return "Toe-off";
  if (index === 2 * steps) return "Next contact";
  const share = Math.round((100 * (index % steps)) / steps);
  return index < steps ? `Stance, ${share} %` : `Swing, ${share} %`;
}

if (view instanceof HTMLElement) {
  /** @type {{a: Film, b: Film, mirrored: boolean, steps: number}} */
  const data = JSON.parse(view.dataset.phase ?? "{}");
  const slider = /** @type {HTMLInputElement} */ (view.querySelector("[data-slider]"));
  const said = view.querySelector("[data-place]");
  /** Pictures on their way or here; a decoded picture shows at once. @type {Map<string, HTMLImageElement>} */
  const kept = new Map();
  let wanted = 0;

  /** @param {string} url */
  const fetched = (url) => {
    let image = kept.get(url);
    if (!image) {
      image = new Image();
      image.src = url;
      kept.set(url, image);
    }
    return image;
  };

  /** @param {"a"|"b"} which @param {number} index */
  const draw = async (which, index) => {
    const film = data[which];
    const frame = film.frames[index];
    const pane = view.querySelector(`[data-pane="${which}"]`);
    const url = address(film, frame);
    try { await fetched(url).decode(); } catch { kept.delete(url); }
    // The slider may be elsewhere by now.
    if (wanted !== index || !pane) return;
    pane.setAttribute("viewBox", `${frame.x} ${frame.y} ${film.box[0]} ${film.box[1]}`);
    const group = pane.querySelector("g");
    if (data.mirrored && which === "b") group?.setAttribute("transform", `translate(${2 * frame.x + film.box[0]} 0) scale(-1 1)`);
    pane.querySelector("image")?.setAttribute("href", url);
    pane.querySelector("polyline")?.setAttribute("points", frame.leg.map((p) => p.join(",")).join(" "));
    const time = view.querySelector(`[data-time="${which}"]`);
    if (time) time.textContent = `${frame.t.toFixed(3)} s`;
    pane.setAttribute("data-shown", String(frame.n));
  };

  const show = () => {
    wanted = Number(slider.value);
    const words = place(wanted, data.steps);
    slider.setAttribute("aria-valuetext", words);
    if (said) said.textContent = words;
    for (const which of /** @type {("a"|"b")[]} */ (["a", "b"])) {
      draw(which, wanted);
      for (let i = 1; i <= AHEAD; i++) for (const j of [wanted + i, wanted - i]) {
        const frame = data[which].frames[j];
        if (frame) fetched(address(data[which], frame));
      }
    }
  };

  slider.addEventListener("input", show);
  view.querySelectorAll("[data-jump]").forEach((button) => button.addEventListener("click", () => {
    slider.value = button.getAttribute("data-jump") ?? "0";
    show();
  }));
  view.querySelector("[data-lines]")?.addEventListener("change", (event) => {
    const box = event.target;
    if (box instanceof HTMLInputElement) document.querySelector("main")?.classList.toggle("no-lines", !box.checked);
  });
  view.hidden = false;
  show();
}
