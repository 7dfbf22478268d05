/** The server's answers; the contract is API.md beside the server. */

import { say } from "./say.js";
import { sessionHeaders } from "./session_key.js";

/** An answer other than 2xx; `status` 0 where there was none. */
export class ApiError extends Error {
  /** @param {number} status @param {any} body */
  constructor(status, body) {
    super((body && body.error) || say(status ? "server_failed" : "server_silent"));
    this.status = status;
    this.body = body;
  }
}

/**
 * How the last request went: answered; not answered; answered by a server that was started anew and does not know
 * this browser yet; or answered for another run than the one this page was made for.
 *
 * @typedef {"answered"|"silent"|"stranger"|"another"} Contact
 */

/** @type {string|null} identity of the run that this page was made for */
let run = null;
/** @type {string|null} who sits before this page */
let reader = null;
/** Who sits before a page that asks for no session. @param {string} initials */
export function readsAs(initials) {
  reader = initials;
}

/** The server does not know who sits before this page. */
let unnamed = false;

/** Whether initials have to be stated again before a read. */
export function mustSignIn() {
  return unnamed;
}

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
export async function request(method, path, body, options = {}) {
  let answer;
  try {
    answer = await fetch(`/api/${path}`, {
      method,
      credentials: "omit",
      headers: { ...sessionHeaders(), ...(reader === null ? {} : { "X-Reader": encodeURIComponent(reader) }), ...(body === undefined ? {} : { "Content-Type": "application/json" }) },
      body: body === undefined ? undefined : JSON.stringify(body),
      ...options,
    });
  } catch (error) {
    if (options.signal?.aborted) throw error;
    tell("silent");
    throw new ApiError(0, null);
  }
  unnamed ||= answer.status === 401;
  tell(answer.status === 401 ? "stranger" : "answered");
  const told = answer.status === 204 ? null : await answer.json().catch(() => null);
  if (!answer.ok) throw new ApiError(answer.status, told);
  if (run !== null && typeof told?.run === "string" && told.run !== run) {
    tell("another");
    throw new ApiError(422, { error: say("another_run") });
  }
  return told;
}

/** @param {Record<string, any>} parameters */
function query(parameters) {
  const given = Object.entries(parameters).filter(([, value]) => value !== undefined && value !== null && value !== "");
  return new URLSearchParams(given.map(([name, value]) => [name, String(value)])).toString();
}

const foot = (/** @type {number} */ id) => `feet/${encodeURIComponent(id)}`;

/**
 * @typedef {import("./types.js").Session} Session
 * @typedef {import("./types.js").MeasureSent} MeasureSent
 * @typedef {import("./types.js").ReadSent} ReadSent
 * @typedef {Record<string, any>} Filters
 */

export const api = {
  /** @returns {Promise<Session>} */
  session: async () => {
    const session = await request("GET", "session");
    run ??= session.run.identity;
    reader = session.reader;
    return session;
  },
  /** @param {string} initials @returns {Promise<import("./types.js").SignedIn>} */
  signIn: async (initials) => {
    const signed = await request("POST", "reader", { initials });
    unnamed = false;
    ({ reader } = signed);
    return signed;
  },
  /** @param {Filters} filters @returns {Promise<import("./types.js").Feet>} */
  feet: (filters) => request("GET", `feet?${query(filters)}`),
  /** @param {number} id @param {"next"|"previous"} direction @param {Filters} filters @returns {Promise<import("./types.js").Neighbour>} */
  neighbour: (id, direction, filters) => request("GET", `${foot(id)}/next?${query({ direction, ...filters })}`),
  /** @param {number} id @param {Filters} [filters] @returns {Promise<import("./types.js").Foot>} */
  foot: (id, filters = {}) => request("GET", `${foot(id)}?${query(filters)}`),
  /** @param {MeasureSent} body @param {AbortSignal} signal @returns {Promise<import("./types.js").MeasuredNow>} */
  measure: (body, signal) => request("POST", "measure", { run, ...body }, { signal }),
  /** @param {number} id @returns {Promise<import("./types.js").Claimed>} */
  claim: (id) => request("POST", `${foot(id)}/claim`),
  /** @param {number} id @returns {Promise<import("./types.js").Claimed>} */
  release: (id) => request("DELETE", `${foot(id)}/claim`, undefined, { keepalive: true }),
  /** @param {number} id @param {ReadSent} body @returns {Promise<import("./types.js").Saved>} */
  read: (id, body) => request("POST", `${foot(id)}/reads`, { run, ...body }),
  /** @param {number} id @returns {Promise<import("./types.js").Read[]>} */
  history: (id) => request("GET", `${foot(id)}/history`),
  /** @param {number} id @param {string} text @returns {Promise<import("./types.js").Others>} */
  others: (id, text) => request("GET", `${foot(id)}/others?${query({ text })}`),
  /** @returns {Promise<import("./types.js").Progress>} */
  progress: () => request("GET", "progress"),
};
