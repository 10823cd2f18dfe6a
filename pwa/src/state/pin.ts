/** A PIN while it is pressed, and what it confirms. Pure. */
import type { Json } from '../ports';

export const FEWEST_DIGITS = 6;
export const MOST_DIGITS = 12;

/** Return the digits after one more key, unchanged where the key does not fit. */
export function pressPin(pressed: string, key: string): string {
  if (key === 'back') return pressed.slice(0, -1);
  if (!/^[0-9]$/.test(key) || pressed.length >= MOST_DIGITS) return pressed;
  return pressed + key;
}

/** Return what is shown of a PIN: a dot for each digit, a dash for each that is still needed. */
export function maskPin(pressed: string): string {
  return '●'.repeat(pressed.length).padEnd(FEWEST_DIGITS, '–');
}

/** How a person has shown to be the one who signs or answers for something. */
export type ConfirmedHow =
  | 'pin'
  /** In an emergency case that was opened without a PIN. */
  | 'emergency'
  /** On a device on which nobody has a PIN. */
  | 'no-pin-set';

/** The structure that `confirmation` of a signature or a step holds. */
export interface Confirmation {
  /** Staff record. */
  by: string;
  how: ConfirmedHow;
  /** ISO 8601 with offset. */
  at: string;
}

/** Return a confirmation as a record keeps it. */
export function keptConfirmation({ by, how, at }: Confirmation): Record<string, Json> {
  return { by, how, at };
}
