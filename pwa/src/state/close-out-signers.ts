/**
 * Who may sign a case, by role: the row for people of the unit's access table [SEC-22]. Pure.
 *
 * The unit judges it again as a signature arrives and sets aside that of somebody whose role does
 * not sign; of a name that it does not know it keeps the signature as stated.
 */
import type { RecordState } from '../ports';
import { shown, textOf } from './shown';

export const SIGNING_ROLES: readonly string[] = ['endoscopist'];

/** Return the people of the staff list who work now and may sign. */
export function signersOf(staff: readonly RecordState[]): RecordState[] {
  return staff.filter(
    (person) => shown(person, 'active') !== false && SIGNING_ROLES.includes(textOf(person, 'role')),
  );
}

/**
 * Return the role of a person, "" of a name that is only stated.
 *
 * @param otherwise - what the tablet knows where the staff list tells no role: it may be locked
 */
export function roleOf(staff: readonly RecordState[], person: string, otherwise = ''): string {
  const found = staff.find(({ record }) => record === person);
  return textOf(found ?? null, 'role') || otherwise;
}

/** Say whether somebody of a role may sign; a name without a role is only stated, and may. */
export const maySign = (role: string): boolean => role === '' || SIGNING_ROLES.includes(role);
