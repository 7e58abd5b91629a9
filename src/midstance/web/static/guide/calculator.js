// The calculator: the server works everything out; this only asks it again while somebody types, and puts the answer in.

const form = document.querySelector("[data-setup-form]");

/** Parts of the page that follow from the form, in the order they stand. */
const PARTS = [".plans", "[data-outcome]", ".section:has(> h2) .table-frame"];

/** @param {HTMLFormElement} form */
function address(form) {
  const query = new URLSearchParams();
  for (const [name, value] of new FormData(form)) if (typeof value === "string") query.set(name, value);
  return `${new URL(form.action).pathname}?${query}`;
}

if (form instanceof HTMLFormElement) {
  document.querySelectorAll("[data-without-script]").forEach((b) => { if (b instanceof HTMLElement) b.hidden = true; });
  let timer = 0;
  /** @type {AbortController | null} */
  let asked = null;
  // A zoom that nobody typed follows distance and lens; one that somebody typed stays.
  let ownZoom = new URLSearchParams(location.search).has("zoom");

  const ask = async () => {
    asked?.abort();
    asked = new AbortController();
    const there = address(form);
    const outcome = document.querySelector("[data-outcome]");
    outcome?.classList.add("busy");
    try {
      const url = new URL(there, location.href);
      if (!ownZoom) url.searchParams.delete("zoom");
      const answer = await fetch(url, { signal: asked.signal });
      if (!answer.ok) return;
      const page = new DOMParser().parseFromString(await answer.text(), "text/html");
      for (const part of PARTS) {
        const now = document.querySelector(part);
        const then = page.querySelector(part);
        if (now && then) now.replaceWith(document.adoptNode(then));
      }
      faults(page);
      const zoom = page.querySelector("#f-zoom");
      const field = form.elements.namedItem("zoom");
      if (!ownZoom && zoom instanceof HTMLInputElement && field instanceof HTMLInputElement) field.value = zoom.value;
      history.replaceState(history.state, "", url.pathname + url.search);
    } catch (error) {
      if (!(error instanceof DOMException && error.name === "AbortError")) throw error;
    } finally {
      document.querySelector("[data-outcome]")?.classList.remove("busy");
    }
  };

  /** Take over what the server says is wrong with single fields. @param {Document} page */
  const faults = (page) => {
    form.querySelectorAll("input[aria-invalid]").forEach((i) => i.removeAttribute("aria-invalid"));
    form.querySelectorAll(".fault").forEach((f) => f.remove());
    page.querySelectorAll("[data-setup-form] .fault").forEach((fault) => {
      const name = fault.id.replace(/^e-/, "");
      const field = form.querySelector(`#f-${CSS.escape(name)}`);
      if (!field) return;
      field.setAttribute("aria-invalid", "true");
      field.setAttribute("aria-describedby", fault.id);
      field.after(document.adoptNode(fault));
    });
  };

  form.addEventListener("input", (event) => {
    const field = event.target;
    if (field instanceof HTMLInputElement && field.name === "zoom") ownZoom = field.value.trim() !== "";
    clearTimeout(timer);
    timer = setTimeout(ask, 220);
  });
  form.addEventListener("submit", (event) => { event.preventDefault(); clearTimeout(timer); ask(); });
}
