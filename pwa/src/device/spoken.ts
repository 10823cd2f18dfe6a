/** The language of the locked screen: the store, which keeps it otherwise, is not open then. */

const NAME = 'crura-language';

/** Remember which language is spoken; a browser that refuses costs a locked screen in English. */
export function keepSpoken(tag: string): void {
  try {
    localStorage.setItem(NAME, tag);
  } catch {
    // Nothing of a record depends on it.
  }
}

/** Return the language that was spoken last, null where that is not known. */
export function lastSpoken(): string | null {
  try {
    return localStorage.getItem(NAME);
  } catch {
    return null;
  }
}
