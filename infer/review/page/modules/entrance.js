/** Behind the one-time address: keeps the key that came with it, and goes on to the page. */
import { keepKey } from "./session_key.js";

const key = document.querySelector('meta[name="session-key"]')?.getAttribute("content") ?? "";
try {
  keepKey(key);
  location.replace(document.querySelector("#onward a")?.getAttribute("href") ?? "/");
} catch {
  const place = /** @type {HTMLElement} */ (document.getElementById("onward"));
  place.textContent = "This browser keeps nothing for pages of this machine. Allow 127.0.0.1 to store data, then open the next address that the command printed.";
}
