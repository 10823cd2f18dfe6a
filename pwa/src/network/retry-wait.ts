/** How long to wait before the next exchange. Pure: chance is an argument. */

export const RESTING_MS = 30_000;
const FIRST_MS = 1_000;
const LONGEST_MS = 20_000;

/**
 * Return the wait in milliseconds: 30 s after success, else doubling from 1 s up to 20 s.
 *
 * @param failures - failed exchanges in a row, 0 after success
 * @param chance - 0 to 1; spreads many tablets that lost the same network
 */
export function retryWaitMs(failures: number, chance: number): number {
  if (failures === 0) return RESTING_MS;
  const full = Math.min(LONGEST_MS, FIRST_MS * 2 ** Math.min(failures - 1, 10));
  return Math.round(full * (0.5 + chance / 2));
}
