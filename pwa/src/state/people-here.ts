/** Whom the unit's staff list names, as those who may have a PIN on this tablet. Pure. */
import type { PersonHere, RecordState } from '../ports';
import { shown, textOf } from './shown';

/** Return the people of the staff list who work now, by name. */
export function staffHere(staff: readonly RecordState[]): PersonHere[] {
  return staff
    .filter((person) => !person.isEnteredInError && shown(person, 'active') !== false)
    .map((person) => ({
      staff: person.record,
      name: textOf(person, 'name') || person.record.replace('staff/', ''),
      role: textOf(person, 'role'),
      triesLeft: 0,
      waitUntilMs: 0,
    }))
    .sort((one, other) => (one.name < other.name ? -1 : 1));
}

/** Return those of the staff list who have no PIN here yet. */
export function staffToAdd(
  staff: readonly RecordState[],
  here: readonly PersonHere[],
): PersonHere[] {
  const known = new Set(here.map((person) => person.staff));
  return staffHere(staff).filter((person) => !known.has(person.staff));
}
