/** Fetches a film's pixels and halves them away from the page, which stays at hand meanwhile. */
import { halvedLevels } from "./halved.js";

self.onmessage = async ({ data: { film, headers, url } }) => {
  try {
    const answer = await fetch(url, { credentials: "omit", headers });
    if (!answer.ok) {
      const told = await answer.json().catch(() => ({}));
      self.postMessage({ film, status: answer.status, error: told.error, said: "cannot_show_film" });
      return;
    }
    const [rows, columns, low, high] = ["X-Rows", "X-Columns", "X-Black", "X-White"].map((name) => Number(answer.headers.get(name)));
    const pixels = new Uint16Array(await answer.arrayBuffer());
    if (!(rows > 0 && columns > 0) || pixels.length !== rows * columns) {
      self.postMessage({ film, status: 500, said: "film_incomplete" });
      return;
    }
    const levels = halvedLevels(pixels, columns, rows);
    const buffers = levels.map((level) => level.pixels.buffer);
    /** @type {any} */ (self).postMessage({ film, rows, columns, window: { low, high }, levels }, buffers);
  } catch {
    self.postMessage({ film, status: 0, said: "server_gone" });
  }
};
