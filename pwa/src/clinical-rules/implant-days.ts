/**
 * On which days an implant may have been used, and whether a day lies in a period (LT8). What
 * nobody can tell lies in every period: else a recall would pass over whoever bears it.
 * Twin of `implant_days.py`.
 */
import { isCivilDate } from './civil-date';

/**
 * Return the days on which an implant may have been used, at least one: its own, else those of its
 * cases. Null, and whatever is no day of the calendar, is a day that nobody can tell.
 *
 * @param on - its own day; null where it says none
 * @param caseDays - the day of the procedure of each of its cases, "" where nobody can tell
 */
export function daysOf(on: string | null, caseDays: readonly string[]): readonly (string | null)[] {
  if (on !== null) return [on];
  return caseDays.length > 0 ? [...new Set(caseDays)] : [null];
}

/** Say whether a day lies within two days; one that is no day may lie anywhere. */
export function isWithin(on: string | null, first?: string, last?: string): boolean {
  if (on === null || !isCivilDate(on)) return true;
  return (first === undefined || first <= on) && (last === undefined || on <= last);
}
