/** Which PINs may be chosen, and how long wrong ones have to wait [SEC-11] [SEC-13]. */
import { tell } from '../told';

const FEWEST_DIGITS = 6;
const MOST_DIGITS = 12;

/**
 * Often chosen and no plain pattern (from memory of published lists of leaked codes); the patterns
 * are found by `isPattern`.
 */
const COMMON = new Set([
  '123654',
  '134679',
  '135790',
  '142536',
  '147258',
  '147852',
  '147896',
  '159357',
  '159753',
  '246810',
  '258456',
  '258963',
  '292513',
  '314159',
  '321654',
  '357159',
  '369258',
  '456852',
  '520520',
  '521521',
  '741852',
  '753159',
  '753951',
  '789456',
  '951753',
  '963852',
  '987456',
]);

/** A PIN that may not be chosen; the message says which may. */
export class WeakPinError extends Error {
  override name = 'WeakPinError';
}

/**
 * Refuse a PIN that is short, no digits, or among the first that anybody would try.
 *
 * @throws WeakPinError
 */
export function requirePin(pin: string): void {
  if (!/^[0-9]+$/.test(pin) || pin.length < FEWEST_DIGITS || pin.length > MOST_DIGITS) {
    throw new WeakPinError(tell('pinDigits', { fewest: FEWEST_DIGITS, most: MOST_DIGITS }));
  }
  if (COMMON.has(pin) || isPattern(pin)) throw new WeakPinError(tell('pinCommon'));
}

/** Whether the digits repeat, run up or down, mirror, pair up, or spell a year or a date. */
function isPattern(pin: string): boolean {
  const digits = [...pin].map(Number);
  const steps = digits.slice(1).map((digit, at) => (digit - (digits[at] ?? 0) + 10) % 10);
  // 111111, 123456, 890123, 987654, 024680
  if (steps.every((step) => step === steps[0])) return true;
  if (new Set(digits).size <= 2) return true;
  // 121212, 123123
  const half = pin.length / 2;
  for (let size = 1; size <= half; size++) {
    if (pin === pin.slice(0, size).repeat(pin.length / size)) return true;
  }
  // 123321, 112233
  if (pin === [...pin].reverse().join('')) return true;
  if (/^(?:([0-9])\1)+$/.test(pin)) return true;
  return isDate(pin);
}

const DAY = '(?:0[1-9]|[12][0-9]|3[01])';
const MONTH = '(?:0[1-9]|1[0-2])';
const YEAR = '(?:19|20)[0-9]{2}';
const DATE = new RegExp(
  `^(?:${DAY}${MONTH}${YEAR}|${MONTH}${DAY}${YEAR}|${YEAR}${MONTH}${DAY}|${MONTH}${YEAR}|${YEAR}${MONTH})$`,
);

/** A date of birth with its year of four digits; of six digits too many are one by chance. */
function isDate(pin: string): boolean {
  return DATE.test(pin);
}

/** So many wrong PINs in a row, and the person's key is deleted from this tablet. */
export const MOST_TRIES = 10;

/**
 * So many, where nobody else has a PIN and the unit can give the key back: more than of one among
 * several, since without the network nothing old opens then. With the waits they take three hours.
 */
export const MOST_TRIES_OF_LAST = 20;

const SECOND = 1_000;
const WAITS_MS: Readonly<Record<number, number>> = {
  5: 30 * SECOND,
  6: 60 * SECOND,
  7: 300 * SECOND,
};
const LONGEST_WAIT_MS = 900 * SECOND;

/** Return how long the next try waits after so many wrong ones in a row, in milliseconds. */
export function waitAfter(tries: number): number {
  if (tries < 5) return 0;
  return WAITS_MS[tries] ?? LONGEST_WAIT_MS;
}
