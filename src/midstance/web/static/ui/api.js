// Requests to this server's API: the token goes along, problems come back as errors a person can read.

/** An error as the API tells it. */
export class Problem extends Error {
  /** @param {number} status @param {{what?: string, detail?: string, allowed?: string, next_step?: string, current?: object}} body */
  constructor(status, body) {
    super(sentence(body));
    this.status = status;
    this.body = body;
  }
}

/** @param {{what?: string, detail?: string, allowed?: string, next_step?: string}} body */
export function sentence(body) {
  const first = body.what ?? body.detail ?? "It didn't work";
  const parts = [`${first.charAt(0).toUpperCase()}${first.slice(1)}.`];
  if (body.allowed) parts.push(`Possible: ${body.allowed}.`);
  if (body.next_step) parts.push(`Next step: ${body.next_step}.`);
  return parts.join(" ");
}

/** The token of this page, which changes must carry. */
export function token() {
  return document.querySelector('meta[name="csrf"]')?.getAttribute("content") ?? "";
}

/**
 * @param {string} path
 * @param {{method?: string, body?: object | FormData, signal?: AbortSignal}} [options]
 * @returns {Promise<any>} what came back as JSON; null for no content
 */
export async function api(path, options = {}) {
  const plain = options.body !== undefined && !(options.body instanceof FormData);
  const headers = { Accept: "application/json", "X-CSRF-Token": token(), ...(plain ? { "Content-Type": "application/json" } : {}) };
  let answer;
  try {
    answer = await fetch(path, { method: options.method ?? "GET", headers, signal: options.signal, body: plain ? JSON.stringify(options.body) : options.body });
  } catch (error) {
    if (options.signal?.aborted) throw error;
    throw new Problem(0, { what: "the workbench doesn't answer", next_step: "check that it is still running, then try again" });
  }
  if (answer.status === 204) return null;
  const body = await answer.json().catch(() => ({}));
  if (!answer.ok) throw new Problem(answer.status, body);
  return body;
}
