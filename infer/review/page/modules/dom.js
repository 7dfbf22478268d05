/** Elements made in one call. */

/**
 * @param {string} tag
 * @param {Record<string, any>} [properties] `on...` adds a listener, `data` data attributes, names with a hyphen and
 *   `role` attributes, all else properties
 * @param {...(Node|string|null|false|undefined)} children
 * @returns {any}
 */
export function make(tag, properties = {}, ...children) {
  const element = document.createElement(tag);
  for (const [name, value] of Object.entries(properties)) {
    if (value === undefined || value === null) continue;
    if (name.startsWith("on")) element.addEventListener(name.slice(2), value);
    else if (name === "data") Object.assign(element.dataset, value);
    else if (name === "role" || name === "for" || name === "list" || name.includes("-")) element.setAttribute(name, String(value));
    else /** @type {any} */ (element)[name] = value;
  }
  element.append(...children.filter((child) => child !== null && child !== false && child !== undefined));
  return element;
}

/**
 * @param {string} tag
 * @param {Record<string, string|number>} [attributes]
 * @param {...(Node|string)} children
 * @returns {any}
 */
export function makeSvg(tag, attributes = {}, ...children) {
  const element = document.createElementNS("http://www.w3.org/2000/svg", tag);
  for (const [name, value] of Object.entries(attributes)) element.setAttribute(name, String(value));
  element.append(...children);
  return element;
}

/** Put `children` in place of all that `parent` holds. */
export function refill(/** @type {Element} */ parent, /** @type {any[]} */ ...children) {
  parent.replaceChildren(...children.filter((child) => child !== null && child !== false && child !== undefined));
}
