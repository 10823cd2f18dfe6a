/** Orders texts by code point, as Python does; JavaScript compares code units. */

/** Return below, at or above 0 as one text stands before, at or behind another. */
export function compareTexts(one: string, other: string): number {
  const a = [...one];
  const b = [...other];
  const place = a.findIndex((letter, at) => letter !== b[at]);
  if (place < 0) return a.length - b.length;
  return (a[place]?.codePointAt(0) ?? 0) - (b[place]?.codePointAt(0) ?? 0);
}
