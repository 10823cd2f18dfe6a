/** A signature's confirmation by PIN, for the tests alone: never imported by the app. */
import type { Confirmation } from './pin';

/** Return what a person's right PIN confirms. */
export function confirmedBy(by: string): Confirmation {
  return { by, how: 'pin', at: '2026-03-16T10:00:00+00:00' };
}
