import { api, ApiError, mustSignIn, outOfReach } from "./api.js";

const RETRY = 2500;

/**
 * Sends a read until the server answers; meanwhile everything stays in the page. A mark tells the server that a
 * second try is the same read.
 *
 * @param {number} id
 * @param {import("./types.js").ReadSent} body
 * @param {string} reader said again to a server that was started anew
 * @param {(waiting: boolean) => void} waiting told while there is no answer
 * @returns {Promise<import("./types.js").Saved>}
 * @throws {import("./api.js").ApiError} what the server refused
 */
export async function sendRead(id, body, reader, waiting) {
  const request = [...crypto.getRandomValues(new Uint32Array(4))].map((part) => part.toString(36)).join("-");
  for (;;) {
    try {
      if (mustSignIn()) await api.signIn(reader);
      const saved = await api.read(id, { ...body, request });
      waiting(false);
      return saved;
    } catch (error) {
      if (!(error instanceof ApiError) || !outOfReach(error)) {
        waiting(false);
        throw error;
      }
    }
    waiting(true);
    await new Promise((resolve) => setTimeout(resolve, RETRY));
  }
}
