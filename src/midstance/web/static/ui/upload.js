// Films are dropped or chosen and sent with progress. Without scripts the same form sends them plainly.

import { token, sentence } from "./api.js";

const SUFFIX = /\.(mov|mp4|m4v|mkv|avi|webm|mts|m2ts|ts|mpe?g|3gp|wmv)$/i;

/** @param {ParentNode} root @param {() => void} done called when a film is in */
export function uploads(root, done) {
  for (const form of root.querySelectorAll("form[data-upload]:not([data-ready])")) prepare(/** @type {HTMLFormElement} */ (form), done);
}

/** @param {HTMLFormElement} form @param {() => void} done */
function prepare(form, done) {
  form.dataset.ready = "yes";
  form.querySelector("[data-plain-send]")?.setAttribute("hidden", "");
  const input = /** @type {HTMLInputElement} */ (form.querySelector('input[type="file"]'));
  let depth = 0;
  input.addEventListener("change", () => { if (input.files?.length) send(form, input.files, done); });
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    event.stopPropagation();
    if (input.files?.length) send(form, input.files, done);
  });
  form.addEventListener("dragenter", (event) => { event.preventDefault(); depth += 1; form.classList.add("over"); });
  form.addEventListener("dragover", (event) => event.preventDefault());
  form.addEventListener("dragleave", () => { depth -= 1; if (depth <= 0) form.classList.remove("over"); });
  form.addEventListener("drop", (event) => {
    event.preventDefault();
    depth = 0;
    form.classList.remove("over");
    if (event.dataTransfer?.files.length) send(form, event.dataTransfer.files, done);
  });
  if (input.files?.length) send(form, input.files, done); // chosen before this script was there
}

/** @param {HTMLFormElement} form @param {FileList} files @param {() => void} done */
function send(form, files, done) {
  if (form.querySelector("[data-busy]")) return;
  const file = files[0];
  const most = Number(form.dataset.most);
  if (files.length > 1) return fault(form, "One film at a time: each view has its own place.");
  if (!file.type.startsWith("video/") && !SUFFIX.test(file.name)) return fault(form, "This is not a film. Possible: MP4, MOV, M4V, MKV, WebM, AVI or MPEG, as the camera wrote it.");
  if (most && file.size > most) return fault(form, `This film is too large. Possible: up to ${Math.round(most / 1e9)} GB. Next step: send a shorter one.`);
  if (!file.size) return fault(form, "This file is empty. Next step: copy it from the camera again.");
  fault(form, "");
  const box = /** @type {HTMLElement} */ (form.querySelector("[data-sending]"));
  const bar = /** @type {HTMLProgressElement} */ (box.querySelector("progress"));
  const share = box.querySelector("[data-share]");
  const name = box.querySelector("[data-name]");
  const input = /** @type {HTMLInputElement} */ (form.querySelector('input[type="file"]'));
  const label = form.querySelector(".drop-label");
  const request = new XMLHttpRequest();
  const ask = (/** @type {BeforeUnloadEvent} */ event) => event.preventDefault();
  box.hidden = false;
  box.dataset.busy = "yes";
  input.hidden = true;
  label?.setAttribute("hidden", "");
  if (name) name.textContent = file.name;
  bar.value = 0;
  addEventListener("beforeunload", ask);
  const end = () => {
    removeEventListener("beforeunload", ask);
    delete box.dataset.busy;
    box.hidden = true;
    input.hidden = false;
    input.value = "";
    label?.removeAttribute("hidden");
  };
  /** @type {HTMLButtonElement} */ (box.querySelector("[data-stop]")).onclick = () => request.abort();
  request.upload.addEventListener("progress", (event) => {
    if (!event.lengthComputable) return;
    bar.value = event.loaded / event.total;
    const left = event.loaded === event.total ? "checking" : `${Math.floor(100 * event.loaded / event.total)} %, ${megabytes(event.loaded)} of ${megabytes(event.total)}`;
    if (share) share.textContent = left;
  });
  request.addEventListener("load", () => {
    end();
    if (request.status < 300) { done(); return; }
    let body = {};
    try { body = JSON.parse(request.responseText); } catch { /* said below */ }
    fault(form, sentence(body));
  });
  request.addEventListener("error", () => { end(); fault(form, "The film didn't get through. Next step: check that the workbench is still running, then send it again."); });
  request.addEventListener("abort", () => { end(); fault(form, "Stopped; nothing was kept."); });
  const { session, view } = form.dataset;
  request.open("POST", `/api/sessions/${session}/films?view=${view}&name=${encodeURIComponent(file.name.slice(-120))}`);
  request.setRequestHeader("X-CSRF-Token", token());
  request.setRequestHeader("Content-Type", "application/octet-stream");
  request.send(file);
}

function megabytes(bytes) {
  return bytes < 1e9 ? `${Math.round(bytes / 1e6)} MB` : `${(bytes / 1e9).toFixed(1)} GB`;
}

function fault(form, words) {
  const place = /** @type {HTMLElement} */ (form.querySelector("[data-fault]"));
  place.textContent = words;
  place.hidden = !words;
  if (words) place.setAttribute("role", "alert");
}
