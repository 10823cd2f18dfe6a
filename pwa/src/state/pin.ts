/** A PIN while it is pressed, and what it confirms. Pure. */
import type { Json, KeyStanding, RecordState } from '../ports';
import type { Place } from './place.svelte';
import { shown } from './shown';

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
  /** In an emergency case that was opened without a PIN, or by a hold in a live case. */
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

/** Return how a person is asked to show that it is them. */
export function howToConfirm(lock: {
  isEmergency: boolean;
  keys: Pick<KeyStanding, 'isOpen'>;
}): ConfirmedHow {
  if (lock.isEmergency) return 'emergency';
  return lock.keys.isOpen ? 'no-pin-set' : 'pin';
}

/**
 * Say whether a gate may be passed without a PIN: at the bedside of the live case, where whoever has
 * one may be scrubbed, away, or waiting after wrong ones. A signature never is.
 */
export function mayPassWithoutPin(liveCase: string, place: Place): boolean {
  return place.name === 'procedure' && liveCase === `case/${place.caseId}`;
}

/** Return how many steps somebody answered for without a PIN: the signature confirms them. */
export function countUnconfirmed(events: readonly RecordState[]): number {
  const how = (event: RecordState) =>
    (shown(event, 'confirmation') as { how?: ConfirmedHow } | undefined)?.how;
  return events.filter((event) => !event.isEnteredInError && how(event) === 'emergency').length;
}

/** Return a confirmation as a record keeps it. */
export function keptConfirmation({ by, how, at }: Confirmation): Record<string, Json> {
  return { by, how, at };
}
