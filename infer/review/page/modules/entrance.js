/** Behind the one-time address: keeps the key that came with it, and goes on to the page. */
import { keepKey } from "./session_key.js";

const key = document.querySelector('meta[name="session-key"]')?.getAttribute("content") ?? "";
try {
  keepKey(key);
  location.replace(document.querySelector("#onward a")?.getAttribute("href") ?? "/");
} catch {
  const place = /** @type {HTMLElement} */ (document.getElementById("onward"));
  const { say } = await import("./say.js"); // the key does not wait for words
  place.textContent = say("no_storage");
}
