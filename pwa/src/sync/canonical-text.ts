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

const byCodePoint = (one: string, other: string): number => {
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

/** Say whether a text has half a surrogate pair, which no UTF-8 can hold. */
export function hasLoneSurrogate(text: string): boolean {
  return /\p{Surrogate}/u.test(text);
}
