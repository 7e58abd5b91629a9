// Pages with work under way: live progress, films to be sent.

import { follow, refresh } from "./live.js";
import { uploads } from "./upload.js";

for (const root of document.querySelectorAll("[data-live]")) {
  follow(root, root.getAttribute("data-live") ?? "");
  const ready = () => uploads(root, () => refresh(root));
  ready();
  root.addEventListener("refreshed", ready);
}
