/**
 * Digits pressed on our own number pad, kept so that no malformed number can be accepted.
 * Whole numbers in thousandths of the shown unit; no locale is parsed (HAZ-50, UX-08).
 */

export interface NumberRules {
  /** Digits after the decimal mark that may be entered, 0 to 3. */
  decimals: number;
  /** Largest value in thousandths of the shown unit. */
  largestMilli: number;
}

const MOST_DIGITS = 7;

/** What has been pressed so far: digits and at most one `.`; "" before the first press. */
export type Pressed = string;

/**
 * Return the text after one more key, or the same text when the key would malform it.
 *
 * @param key - `0` to `9`, `.` or `back`
 */
export function pressKey(pressed: Pressed, key: string, rules: NumberRules): Pressed {
  if (key === 'back') return pressed.slice(0, -1);
  if (key === '.') {
    if (rules.decimals === 0 || pressed.includes('.')) return pressed;
    return pressed === '' ? '0.' : `${pressed}.`;
  }
  if (!/^[0-9]$/.test(key)) return pressed;
  const next = pressed === '0' ? key : pressed + key;
  const [whole = '', fraction = ''] = next.split('.');
  if (fraction.length > rules.decimals || whole.length > MOST_DIGITS) return pressed;
  return next;
}

/**
 * Say whether a number is too large to be entered.
 *
 * Digits are never dropped in silence: such a number stays on the pad and is refused there.
 */
export function isTooLarge(pressed: Pressed, rules: NumberRules): boolean {
  const milli = milliOf(pressed);
  return milli !== null && milli > rules.largestMilli;
}

/** Return the number in thousandths, or null when nothing (or only `0.`) has been pressed. */
export function milliOf(pressed: Pressed): number | null {
  if (!/^\d+(\.\d*)?$/.test(pressed)) return null;
  const [whole = '0', fraction = ''] = pressed.split('.');
  return Number(whole) * 1000 + Number(`${fraction}000`.slice(0, 3));
}

/** Return thousandths as people read them: `0.5`, `5`, never `.5` or `5.0` (ISMP list). */
export function milliText(milli: number): string {
  const whole = Math.floor(milli / 1000);
  const fraction = String(milli % 1000)
    .padStart(3, '0')
    .replace(/0+$/, '');
  return fraction === '' ? String(whole) : `${whole}.${fraction}`;
}
