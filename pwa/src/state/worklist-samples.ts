/** Records as a desk holds them, for the tests of the worklist. */
import { addDays } from '../clinical-rules/civil-date';
import { packagedRuleBook } from '../clinical-rules/packaged-rule-files';
import { readCourseLimits } from '../clinical-rules/visit-course-limits';
import type { HistoryEntry, Json } from '../ports';
import { blankState, withFields } from './record-state';
import type { RecordState } from './shown';
import { type HeldRecords, makeWorklist } from './worklist';
import type { Course } from './worklist-course';

export const TODAY = '2026-03-16';
/** When everything in a sample record was written, and a moment after it. */
export const FIRST_STAMP = '000000000000001.00000.tab';
export const LATER_STAMP = '000000000000002.00000.tab';

/** Return a record in which each field was set by one operation. */
export function record(id: string, fields: Record<string, Json>, stamp = FIRST_STAMP): RecordState {
  const state = withFields(blankState(id), fields);
  for (const one of Object.values(state.fields)) {
    for (const held of one.values) {
      held.references = ['tab.e1.1#00'];
      held.stamp = stamp;
    }
  }
  return state;
}

/** Write a field of a record another time, later. */
export function writtenLater(state: RecordState, field: string): RecordState {
  for (const held of state.fields[field]?.values ?? []) {
    held.references = ['tab.e1.2#00'];
    held.stamp = LATER_STAMP;
  }
  return state;
}

export const windowAround = (targetOn: string, days = 7) => ({
  earliest_on: addDays(targetOn, -days),
  target_on: targetOn,
  latest_on: addDays(targetOn, days),
});

export const visit = (id: string, fields: Record<string, Json>, stamp = FIRST_STAMP) =>
  record(
    `visit/${id}`,
    {
      patient: 'patient/p',
      label: 'Clinic visit',
      status: 'to-book',
      owner_role: 'booking',
      window: windowAround(TODAY),
      ...fields,
    },
    stamp,
  );

export const bookedOn = (on: string, sessionId = 's') => ({
  status: 'booked',
  booking: { session: `clinic_session/${sessionId}`, on, time: '09:00' },
});

export const patient = (id: string, fields: Record<string, Json>) =>
  record(`patient/${id}`, { family_name: 'Quillmere', given_name: 'Dorothea', ...fields });

export const attempt = (id: string, fields: Record<string, Json>, stamp = FIRST_STAMP) =>
  record(
    `contact_attempt/${id}`,
    { visit: 'visit/a', how: 'phone', result: 'no-answer', at: '2026-03-10T09:00:00Z', ...fields },
    stamp,
  );

export const session = (id: string, on: string, equipment: string[], capacity = 2) =>
  record(`clinic_session/${id}`, {
    place: 'Room 2',
    held: { on, starts: '09:00', time_zone: 'Europe/London' },
    capacity,
    equipment,
  });

export const entry = (set: Record<string, Json>, stamp: string, isStruck = false) =>
  ({ set, stamp, isStruck, retract: [], wallMs: 0 }) as unknown as HistoryEntry;

const ruleBook = packagedRuleBook(TODAY);
const { limitOf } = readCourseLimits(ruleBook);

/** How a desk acts, and how a clinician does. */
export const clerk: Course = { ruleBook, todayOn: TODAY, role: 'booking', who: '' };
export const clinician: Course = { ...clerk, role: 'clinician' };

/** Return the worklist of some records, the others left out. */
export const listOfVisits = (visits: readonly RecordState[], more: Partial<HeldRecords> = {}) =>
  makeWorklist({ visits, patients: [], attempts: [], ...more }, TODAY, limitOf);

/** Return the one row of a visit. */
export function rowOfVisit(one: RecordState, more: Partial<HeldRecords> = {}) {
  const [row] = listOfVisits([one], more);
  if (!row) throw new Error('the visit is not on the list');
  return row;
}
