/**
 * The day on which a person died, recorded beside the end of a follow-up. Pure.
 *
 * It is asked with the end and may come to be known later: without it the day on which the end was
 * entered would be taken for the day of death.
 */
import type { Json } from '../ports';
import { type RecordState, shown, textOf, valuesOf } from './shown';

/** A civil date; null where it was answered that nobody knows it, undefined while not answered. */
export type DeathDay = string | null | undefined;

/** Why a day is none on which the person can have died; "" where it may be. */
export type DeathFault = '' | 'before-treatment' | 'to-come';

/** Field of a visit. */
export const DEATH_DAY = 'ended_on';

/**
 * Return why a person cannot have died on a day.
 *
 * @param treatedOn - day of the last treatment, "" where none is known
 */
export function findDeathFault(on: string, treatedOn: string, todayOn: string): DeathFault {
  if (on > todayOn) return 'to-come';
  return on < treatedOn ? 'before-treatment' : '';
}

/** Return the day of the last treatment of a person, "" where none is known. */
export function lastTreatedOn(cases: readonly RecordState[]): string {
  const standing = cases.filter((one) => !one.isEnteredInError);
  const days = standing.map((one) => textOf(one, 'procedure_on'));
  return days.sort().at(-1) ?? '';
}

/**
 * Return what an end or a reopening records of the day of death. Whatever day stood from an end
 * before does not outlast it: nobody's old answer is read as one to the new end.
 */
export function deathFields(visit: RecordState, diedOn: DeathDay): Record<string, Json> {
  if (diedOn !== undefined) return { [DEATH_DAY]: diedOn };
  const isHeld = valuesOf(visit, DEATH_DAY).some(({ value }) => value !== null);
  return isHeld ? { [DEATH_DAY]: null } : {};
}

/** Say whether a visit ended because the person died. */
export function endedByDeath(visit: RecordState): boolean {
  return (
    !visit.isEnteredInError &&
    textOf(visit, 'status') === 'ended' &&
    textOf(visit, 'ended_because') === 'died'
  );
}

/**
 * Return what a visit that a death ended tells of its day; undefined as well where two answers
 * stand, which a person settles first.
 */
export function deathDayOf(visit: RecordState): DeathDay {
  const told = shown(visit, DEATH_DAY);
  return typeof told === 'string' || told === null ? told : undefined;
}
