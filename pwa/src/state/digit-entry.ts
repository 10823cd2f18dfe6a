/** Digits of a fixed count, pressed on our own pad: a year, the end of a number, a date. Pure. */

export interface DigitGroup {
  /** What the digits are, in words. */
  name: string;
  length: number;
}

/** Return how many digits all groups take. */
export function digitCount(groups: readonly DigitGroup[]): number {
  return groups.reduce((sum, group) => sum + group.length, 0);
}

/** Return the digits after one more key, unchanged where the key does not fit. */
export function pressDigit(pressed: string, key: string, groups: readonly DigitGroup[]): string {
  if (key === 'back') return pressed.slice(0, -1);
  if (!/^[0-9]$/.test(key) || pressed.length >= digitCount(groups)) return pressed;
  return pressed + key;
}

/** Return the digits pressed so far, one text a group. */
export function splitDigits(pressed: string, groups: readonly DigitGroup[]): string[] {
  let from = 0;
  return groups.map(({ length }) => {
    const part = pressed.slice(from, from + length);
    from += length;
    return part;
  });
}

/** Return a group as shown: what was pressed, then a dash for each digit still to come. */
export function slotsText(part: string, length: number): string {
  return part.padEnd(length, '–');
}
