/**
 * The one JSON text of a value, and texts in UTF-8.
 *
 * Strings are escaped as `JSON.stringify` does, which is also how the server writes them; keys
 * are sorted by code point, as bytes of UTF-8 sort.
 */
import { utf8ToBytes } from '@noble/hashes/utils.js';

/** Any JSON. */
export type JsonContent =
  | null
  | boolean
  | number
  | string
  | readonly JsonContent[]
  | { readonly [key: string]: JsonContent };

/** Nearly all texts. */
const WITHOUT_SURROGATES = /^[^\ud800-\udfff]*$/;

const byCodePoint = (one: string, other: string): number => {
  if (WITHOUT_SURROGATES.test(one) && WITHOUT_SURROGATES.test(other)) {
    return one < other ? -1 : one > other ? 1 : 0;
  }
  const [a, b] = [[...one], [...other]];
  for (let place = 0; place < Math.min(a.length, b.length); place++) {
    const step = (a[place]?.codePointAt(0) ?? 0) - (b[place]?.codePointAt(0) ?? 0);
    if (step !== 0) return step;
  }
  return a.length - b.length;
};

/** Return the canonical text: equal texts are equal values (MG3). Twin of `canonical_text`. */
export function canonicalText(content: JsonContent): string {
  if (Array.isArray(content)) return `[${content.map(canonicalText).join(',')}]`;
  if (typeof content === 'object' && content !== null) {
    const parts = content as { readonly [key: string]: JsonContent };
    const written = Object.keys(parts)
      .sort(byCodePoint)
      .map((key) => `${JSON.stringify(key)}:${canonicalText(parts[key] as JsonContent)}`);
    return `{${written.join(',')}}`;
  }
  return JSON.stringify(content);
}

/** Return the bytes of a text. */
export function textBytes(text: string): Uint8Array {
  return utf8ToBytes(text);
}

/** Return how many bytes `textBytes` gives. */
export function byteLength(text: string): number {
  // Most texts are ASCII, and a length costs nothing.
  // biome-ignore lint/suspicious/noControlCharactersInRegex: all of ASCII is meant
  return /^[\x00-\x7f]*$/.test(text) ? text.length : textBytes(text).length;
}

/** Say whether a text has half a surrogate pair, which no UTF-8 can hold. */
export function hasLoneSurrogate(text: string): boolean {
  return !WITHOUT_SURROGATES.test(text) && /\p{Surrogate}/u.test(text);
}
