/**
 * Says what happened to parts that the teller does not know.
 *
 * @template {Record<string, any>} Events what can happen, with what is told of it
 */
export class Emitter {
  constructor() {
    /** @type {Map<keyof Events, Set<(told: any) => void>>} */
    this.listeners = new Map();
  }

  /**
   * @template {keyof Events} Name
   * @param {Name} name
   * @param {(told: Events[Name]) => void} listener
   */
  on(name, listener) {
    const heard = this.listeners.get(name) ?? new Set();
    this.listeners.set(name, heard.add(listener));
  }

  /**
   * @template {keyof Events} Name
   * @param {Name} name
   * @param {Events[Name]} told
   */
  tell(name, told) {
    for (const listener of this.listeners.get(name) ?? []) listener(told);
  }
}
