// Talks with the workbench's own API: JSON in and out, problem documents as errors.

/** An answer that says no, with what to do about it (RFC 9457 document of the server). */
export class Problem extends Error {
  /** @param {number} status @param {Record<string, any>} body */
  constructor(status, body) {
    super(body.detail || body.what || body.title || `the server answered ${status}`);
    this.name = "Problem";
    this.status = status;
    this.what = body.what || body.detail || this.message;
    this.where = body.where || "";
    this.allowed = body.allowed || "";
    this.nextStep = body.next_step || "";
    /** What is there now, where somebody else changed it meanwhile (409). */
    this.current = body.current ?? null;
  }

  /** One or two sentences for a person. */
  get sentence() {
    const first = this.what.charAt(0).toUpperCase() + this.what.slice(1);
    const parts = [first.replace(/\.?$/, ".")];
    if (this.allowed) parts.push(`Allowed: ${this.allowed}.`);
    if (this.nextStep) parts.push(this.nextStep.charAt(0).toUpperCase() + this.nextStep.slice(1).replace(/\.?$/, "."));
    return parts.join(" ");
  }
}

/** Words for any error that can happen while asking the server. @param {unknown} error */
export function words(error) {
  if (error instanceof Problem) return error.sentence;
  if (error instanceof TypeError) return "The workbench can't be reached. Is it still running? Nothing was changed.";
  return error instanceof Error ? error.message : String(error);
}

function token() {
  return document.querySelector('meta[name="csrf"]')?.getAttribute("content") ?? "";
}

/**
 * Ask the API.
 * @param {"GET"|"POST"|"PUT"|"DELETE"} method
 * @param {string} path
 * @param {unknown} [body]
 * @returns {Promise<any>} the answer's JSON, null when it has none
 */
export async function ask(method, path, body) {
  /** @type {Record<string, string>} */
  const headers = { Accept: "application/json" };
  if (method !== "GET") headers["X-CSRF-Token"] = token();
  if (body !== undefined) headers["Content-Type"] = "application/json";
  const answer = await fetch(path, {
    method,
    headers,
    body: body === undefined ? undefined : JSON.stringify(body),
    credentials: "same-origin",
  });
  const text = await answer.text();
  let json = null;
  try {
    json = text ? JSON.parse(text) : null;
  } catch {
    if (answer.ok) throw new Problem(answer.status, { what: "the answer can't be read" });
  }
  if (!answer.ok) throw new Problem(answer.status, json ?? {});
  return json;
}
