// Shows what comes in while the door is open. The server writes the piece of the page; this only puts it in place.
const place = document.querySelector("[data-door]");
const EVERY_MS = 1500;

async function look() {
  if (!(place instanceof HTMLElement) || document.hidden) return;
  try {
    const answer = await fetch(`/sessions/${place.dataset.door}/phone?part=1`);
    if (!answer.ok) return;
    const page = new DOMParser().parseFromString(await answer.text(), "text/html");
    const then = page.querySelector("[data-part]");
    const now = place.querySelector("[data-part]");
    if (then && now && then.innerHTML !== now.innerHTML) now.replaceWith(document.adoptNode(then));
    if (then instanceof HTMLElement && then.dataset.open === "no") clearInterval(timer);
  } catch { /* the server is away for a moment; the next look will tell */ }
}
const timer = setInterval(look, EVERY_MS);
