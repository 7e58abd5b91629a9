// A scanned address carries the code behind its #, which no server is ever sent: take it from there, so that one tap is enough.
const field = document.getElementById("code");
const code = decodeURIComponent(location.hash.slice(1)).replace(/[^A-Za-z0-9]/g, "").slice(0, 16);
if (field instanceof HTMLInputElement && code) {
  field.value = code;
  history.replaceState(null, "", location.pathname);
  const lead = document.querySelector("[data-lead]");
  if (lead) lead.textContent = "Connect this phone with the coach's session.";
  const go = document.querySelector("[data-go]");
  if (go instanceof HTMLElement) go.focus();
} else if (field instanceof HTMLInputElement) {
  field.focus();
}
