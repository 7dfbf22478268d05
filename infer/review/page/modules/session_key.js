/**
 * The key by which the server knows this browser. It lies in the web storage of this origin, which is that of this port
 * alone; a cookie would go to every server of this machine.
 */
const NAME = "raysplay-session";

/** @param {string} key */
export function keepKey(key) {
  localStorage.setItem(NAME, key);
}

/** Headers that every request below /api/ carries; read anew each time, since another tab may have been let in. @returns {Record<string, string>} */
export function sessionHeaders() {
  return { Authorization: `Bearer ${localStorage.getItem(NAME) ?? ""}`, "Accept-Language": document.documentElement.lang || "en" };
}
