/** As whom a person acts on visits: a desk, or a clinician. Pure. */
import type { Role } from '../clinical-rules/visit-course-table';
import type { DeviceStanding } from '../ports';

/** Whose word ends or plans a follow-up: the roles that the unit's check takes for it (FG6). */
const CLINICIANS: readonly string[] = ['endoscopist', 'anaesthetist'];

/**
 * Return as whom a person acts on visits. Nobody chosen is no clinician: the unit could not tell
 * who ended a follow-up (HAZ-45).
 *
 * @param staffRole - of the person who taps, "" where nobody was chosen
 */
export function courseRoleOf(staffRole: string): Role {
  return CLINICIANS.includes(staffRole) ? 'clinician' : 'booking';
}

/** What of a device tells as whom it acts. */
export interface ActingDevice {
  readonly standing: Pick<DeviceStanding, 'role'> | null;
  readonly whoTapsRole: string;
}

/**
 * Return as whom whoever taps acts: a clinician on a bedside device alone, as a booking desk may
 * write no care and the unit takes no end from it (FG6, HAZ-45).
 */
export function actingRoleOf({ standing, whoTapsRole }: ActingDevice): Role {
  return standing?.role === 'bedside' ? courseRoleOf(whoTapsRole) : 'booking';
}
