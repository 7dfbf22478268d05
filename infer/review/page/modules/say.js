/**
 * Words of this page in the language that its `lang` names; the message files are those of the reports
 * (`infer/visit/words/`). Modules that say something wait for them.
 *
 * @type {{language: string, decimal: string, date: string, languages: [string, string][], messages: Record<string, string>}}
 */
const words = await (await fetch(new URL(`../words/${document.documentElement.lang || "en"}.json`, import.meta.url), { credentials: "omit" })).json();

/** The language of this page, as BCP 47 names it. */
export const { language } = words;

/** Languages that there are words in: name by BCP 47, name by itself. */
export const { languages } = words;

/** A message with its values, which are text already. @param {string} key @param {Record<string, string|number>} [values] */
export function say(key, values = {}) {
  return (words.messages[key] ?? key).replace(/\{(\w+)\}/g, (place, name) => String(values[name] ?? place));
}

/** Whether there is such a message. @param {string} key */
export function knows(key) {
  return key in words.messages;
}

/** So many of something. @param {number} count @param {"films"|"feet"|"files"|"papers"} what */
export function counted(count, what) {
  return say(`${what}_${count === 1 ? "one" : "many"}`, { count: count.toLocaleString(language) });
}

/** A number with its decimal sign. @param {string} digits with a point */
export function decimal(digits) {
  return digits.replace(".", words.decimal).replace("-", "−");
}

/** A day as reports of this language write it; what is no day stays as it is. @param {string} iso */
export function dayWords(iso) {
  const parts = /^(\d{4})-(\d{2})-(\d{2})/.exec(iso);
  if (!parts) return iso;
  const [year, month, day] = parts.slice(1).map(Number);
  /** @type {Record<string, string|number>} */
  const values = { year, month, day, month_word: say(`month_${month}`) };
  return words.date.replace(/\{(\w+)(?::0(\d)d)?\}/g, (_, name, digits) => String(values[name]).padStart(Number(digits ?? 0), "0"));
}
