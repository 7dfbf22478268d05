/** The server's answers; the contract is API.md beside the server. */

/** An answer other than 2xx; `status` 0 where there was none. */
export class ApiError extends Error {
  /** @param {number} status @param {any} body */
  constructor(status, body) {
    super((body && body.error) || (status ? `The server answered with ${status}.` : "The server does not answer."));
    this.status = status;
    this.body = body;
  }
}

/**
 * How the last request went: answered; not answered; or answered by a server that was started anew and does not know
 * this browser yet.
 *
 * @typedef {"answered"|"silent"|"stranger"} Contact
 */

/** The server cannot take anything now; what is asked may be asked again later. @param {unknown} error */
export function outOfReach(error) {
  return error instanceof ApiError && (error.status === 0 || error.status === 401);
}

/** @type {Set<(contact: Contact) => void>} */
const watchers = new Set();

/** Told after every request. @param {(contact: Contact) => void} watcher */
export function watchServer(watcher) {
  watchers.add(watcher);
}

/** @param {Contact} contact */
function tell(contact) {
  for (const watcher of watchers) watcher(contact);
}

/**
 * @param {string} method
 * @param {string} path below /api/
 * @param {any} [body]
 * @param {{signal?: AbortSignal, keepalive?: boolean}} [options]
 * @returns {Promise<any>}
 */
async function request(method, path, body, options = {}) {
  let answer;
  try {
    answer = await fetch(`/api/${path}`, {
      method,
      credentials: "same-origin",
      headers: body === undefined ? {} : { "Content-Type": "application/json" },
      body: body === undefined ? undefined : JSON.stringify(body),
      ...options,
    });
  } catch (error) {
    if (options.signal?.aborted) throw error;
    tell("silent");
    throw new ApiError(0, null);
  }
  tell(answer.status === 401 ? "stranger" : "answered");
  const told = answer.status === 204 ? null : await answer.json().catch(() => null);
  if (!answer.ok) throw new ApiError(answer.status, told);
  return told;
}

/** @param {Record<string, any>} parameters */
function query(parameters) {
  const given = Object.entries(parameters).filter(([, value]) => value !== undefined && value !== null && value !== "");
  return new URLSearchParams(given.map(([name, value]) => [name, String(value)])).toString();
}

const foot = (/** @type {number} */ id) => `feet/${encodeURIComponent(id)}`;

export const api = {
  session: () => request("GET", "session"),
  signIn: (/** @type {string} */ initials) => request("POST", "reader", { initials }),
  feet: (/** @type {Record<string, any>} */ filters) => request("GET", `feet?${query(filters)}`),
  neighbour: (/** @type {number} */ id, /** @type {"next"|"previous"} */ direction, /** @type {Record<string, any>} */ filters) =>
    request("GET", `${foot(id)}/next?${query({ direction, ...filters })}`),
  foot: (/** @type {number} */ id, /** @type {Record<string, any>} */ filters = {}) => request("GET", `${foot(id)}?${query(filters)}`),
  measure: (/** @type {any} */ body, /** @type {AbortSignal} */ signal) => request("POST", "measure", body, { signal }),
  claim: (/** @type {number} */ id) => request("POST", `${foot(id)}/claim`),
  release: (/** @type {number} */ id) => request("DELETE", `${foot(id)}/claim`, undefined, { keepalive: true }),
  read: (/** @type {number} */ id, /** @type {any} */ body) => request("POST", `${foot(id)}/reads`, body),
  history: (/** @type {number} */ id) => request("GET", `${foot(id)}/history`),
  others: (/** @type {number} */ id, /** @type {string} */ text) => request("GET", `${foot(id)}/others?${query({ side: "same", text })}`),
  progress: () => request("GET", "progress"),
};
