/** In which group of the worklist an open visit stands, and by when somebody acts on it. Pure. */
import { addDays } from '../clinical-rules/civil-date';
import { findBookBy } from '../clinical-rules/visit-course-limits';
import { isInConflict, textOf } from './shown';
import type { Group, Now, WorkRow } from './worklist';
import { stampOf } from './worklist-escalation';

/** A row before it has found its group. */
export type Unsorted = Omit<WorkRow, 'group' | 'clinicianBecause' | 'actBy'>;

/** Fields of a visit that have to have one answer before anything is done on it. */
export const SETTLED_FIRST = [
  'patient',
  'window',
  'status',
  'booking',
  'owner_role',
  'owner',
  'act_on',
  'urgency',
  'cancelled_by',
  'elsewhere',
] as const;

/** Return the group of a row: what is done with it next (FU-01). */
export function groupOf(
  row: Unsorted,
  why: WorkRow['clinicianBecause'],
  { todayOn, limitOf }: Now,
): Group {
  const isUnsettled = SETTLED_FIRST.some((field) => isInConflict(row.visit, field));
  if (isUnsettled) return 'two-answers';
  if (row.status === 'booked' && row.booking !== null) {
    if (row.booking.on < todayOn) return 'to-answer';
    if (row.noPlaceBecause !== '') return 'no-place';
    if (row.hasWindowMoved) return 'window-moved';
    if (why !== '') return 'clinician';
    return row.booking.on < addDays(todayOn, 7) ? 'this-week' : 'later';
  }
  if (why !== '') return 'clinician';
  if (nextTryOn(row) > todayOn) return 'patient';
  if (row.status === 'no-show') return 'no-show';
  if (row.window === null || row.status === 'booked') return 'due';
  if (isPastWindow(row, todayOn)) return 'overdue';
  // A clinician's own act needs no place: it shows when it comes near.
  if (row.owner === 'clinician') return 'later';
  if (row.status === 'cancelled') return 'due';
  return addDays(todayOn, limitOf('book_ahead_days')) >= row.window.targetOn ? 'due' : 'later';
}

/** Whether the window of a visit is over, however the visit stands and whoever acts next. */
export function isPastWindow({ window }: Pick<WorkRow, 'window'>, todayOn: string): boolean {
  return window !== null && window.latestOn < todayOn;
}

/**
 * Return the rows whose window is over, of every group: who has no day ahead comes first, else as
 * the list has them. Each still stands in its one group (FU-01).
 */
export function listPastWindow(rows: readonly WorkRow[], todayOn: string): WorkRow[] {
  const past = rows.filter((row) => isPastWindow(row, todayOn));
  return [...past.filter((row) => !hasDayAhead(row)), ...past.filter(hasDayAhead)];
}

const hasDayAhead = ({ status, group }: WorkRow) =>
  status === 'booked' && ['this-week', 'later'].includes(group);

/**
 * Whether a booking lies outside a window that was set after it: a new plan moved the window, and
 * nobody has looked yet whether the day still does. Booking the same place again answers it.
 */
export function hasWindowMoved({
  visit,
  window,
  booking,
}: Pick<WorkRow, 'visit' | 'window' | 'booking'>): boolean {
  const on = booking?.on;
  if (window === null || on === undefined) return false;
  const isOutside = on < window.earliestOn || on > window.latestOn;
  return isOutside && stampOf(visit, 'window') > stampOf(visit, 'booking');
}

/** Day of the next try that was agreed on after the visit last changed, "" where none was. */
function nextTryOn(row: Pick<WorkRow, 'visit' | 'attempts'>): string {
  const last = row.attempts.at(-1);
  if (last === undefined || stampOf(last, 'visit') < stampOf(row.visit, 'status')) return '';
  return textOf(last, 'next_try_on');
}

/**
 * Return by when somebody acts: what was written down counts; else it follows from the booking, the
 * try or the window (FU-05).
 */
export function actByOf(row: Unsorted, group: Group, { todayOn, limitOf }: Now): string {
  if (row.status === 'booked' && row.booking !== null) {
    return group === 'clinician' ? todayOn : row.booking.on;
  }
  if (group === 'patient') return nextTryOn(row);
  const written = textOf(row.visit, 'act_on');
  if (written !== '' || row.window === null) return written || todayOn;
  const { earliestOn, targetOn, latestOn } = row.window;
  // A clinician's own act needs no place that has to be looked for.
  if (row.owner === 'clinician') return targetOn;
  const window = { earliest_on: earliestOn, target_on: targetOn, latest_on: latestOn };
  return findBookBy({ window }, todayOn, limitOf);
}
