/** Whom the unit's staff list names, as those who may have a PIN on this tablet. Pure. */
import type { DeviceStanding, PersonHere, RecordState } from '../ports';
import { shown, textOf } from './shown';

/** Roles that read what was found and done; the rest have no business on a bedside tablet [SEC-22]. */
const AT_THE_BEDSIDE: readonly string[] = ['endoscopist', 'assistant', 'anaesthetist'];

/** Return the people of the staff list who work now and may use a device of this role, by name. */
export function staffHere(
  staff: readonly RecordState[],
  device: DeviceStanding['role'],
): PersonHere[] {
  return staff
    .filter((person) => !person.isEnteredInError && shown(person, 'active') !== false)
    .filter((person) => device === 'booking' || AT_THE_BEDSIDE.includes(textOf(person, 'role')))
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
  device: DeviceStanding['role'],
): PersonHere[] {
  const known = new Set(here.map((person) => person.staff));
  return staffHere(staff, device).filter((person) => !known.has(person.staff));
}

/** Return how many people other than one have a PIN here and wait for nothing after wrong ones. */
export function countOthers(here: readonly PersonHere[], staff: string, nowMs: number): number {
  return here.filter((person) => person.staff !== staff && person.waitUntilMs <= nowMs).length;
}
