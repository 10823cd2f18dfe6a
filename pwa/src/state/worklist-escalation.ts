/** When a clinician has to look at a visit, and since when what happened counts (FU-06). Pure. */
import { addDays } from '../clinical-rules/civil-date';
import { findEscalation } from '../clinical-rules/visit-course-limits';
import { readState } from '../clinical-rules/visit-course-table';
import { type RecordState, textOf, valuesOf } from './shown';
import type { Now, WorkRow } from './worklist';
import type { Unsorted } from './worklist-groups';

/** Common practice, no source: what a clinician does needs no place, only to be seen coming. */
export const CLINICIAN_AHEAD_DAYS = 7;

/** FU-06. A booked visit waits for its day, whoever owns it, unless that day lies too late. */
export function whyClinician(
  row: Unsorted,
  { todayOn, limitOf }: Now,
): WorkRow['clinicianBecause'] {
  const { visit, window } = row;
  const facts = {
    window: window
      ? {
          earliest_on: window.earliestOn,
          target_on: window.targetOn,
          latest_on: window.latestOn,
        }
      : undefined,
    act_on: textOf(visit, 'act_on'),
    booked_on: row.booking?.on,
    owner_role: row.owner,
    failed_tries: row.failedTries,
  };
  const state = readState({
    status: row.status,
    cancelled_by: textOf(visit, 'cancelled_by') || undefined,
  });
  const escalation = findEscalation(state, facts, todayOn, limitOf);
  if (escalation !== '' || row.status === 'booked') return escalation;
  const isNear = window === null || addDays(todayOn, CLINICIAN_AHEAD_DAYS) >= window.targetOn;
  return row.owner === 'clinician' && (isNear || wasHandedOver(visit)) ? 'owner' : '';
}

/** Return the tries without an answer, since one was answered or a clinician decided. */
export function countFailed(visit: RecordState, attempts: readonly RecordState[]): number {
  const decidedAt = decisionStamp(visit);
  return attempts
    .slice(attempts.findLastIndex((attempt) => textOf(attempt, 'result') === 'reached') + 1)
    .filter((attempt) => ['no-answer', 'wrong-number'].includes(textOf(attempt, 'result')))
    .filter((attempt) => decidedAt === '' || stampOf(attempt, 'visit') > decidedAt).length;
}

/** Return the stamp of what is shown in a field, "" where nothing is. */
export const stampOf = (state: RecordState, field: string) =>
  valuesOf(state, field).at(-1)?.stamp ?? '';

/**
 * When a clinician gave the visit back to booking, "" where none did: what had happened before is
 * decided, and counts no more.
 */
function decisionStamp(visit: RecordState): string {
  const isGivenBack = textOf(visit, 'owner_role') === 'booking' && wasHandedOver(visit);
  return isGivenBack ? stampOf(visit, 'owner_role') : '';
}

/** Whether somebody gave the visit to its owner after it was planned: then it waits at once. */
function wasHandedOver(visit: RecordState): boolean {
  const [owner, label] = ['owner_role', 'label'].map(
    (field) => valuesOf(visit, field).at(-1)?.references ?? [],
  );
  return owner !== undefined && !owner.some((reference) => label?.includes(reference));
}
