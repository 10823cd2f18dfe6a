/**
 * The clinic's worklist: which group each open visit belongs to, and in which order.
 * Pure; reads the booking stream alone.
 */
import { daysBetween } from '../clinical-rules/civil-date';
import { MOST_URGENT, neededEquipment, type OverReason } from '../clinical-rules/session-places';
import type { CourseLimit, Escalation } from '../clinical-rules/visit-course-limits';
import {
  isInConflict,
  type Json,
  numberOf,
  type RecordState,
  shown,
  structureOf,
  textOf,
  valuesOf,
} from './shown';
import { countFailed, stampOf, whyClinician } from './worklist-escalation';
import { actByOf, groupOf, hasWindowMoved } from './worklist-groups';

/** In the order in which a day's work goes; every open visit is in exactly one (FU-01). */
export const GROUPS = [
  'two-answers',
  'no-place',
  'window-moved',
  'to-answer',
  'overdue',
  'no-show',
  'due',
  'this-week',
  'patient',
  'clinician',
  'later',
] as const;
export type Group = (typeof GROUPS)[number];

export interface Window {
  earliestOn: string;
  targetOn: string;
  latestOn: string;
}

export interface Booking {
  session: string;
  on: string;
  time: string;
}

/** One open visit as the worklist shows it. */
export interface WorkRow {
  visit: RecordState;
  patient: RecordState | undefined;
  label: string;
  status: string;
  group: Group;
  window: Window | null;
  booking: Booking | null;
  /** Days since the target; negative before it, null without a window. */
  daysPastTarget: number | null;
  /** 0 to 3; one more with each missed visit. */
  urgency: number;
  /** Whose turn it is: `booking` or `clinician`. */
  owner: string;
  /** Record of the person who holds the visit, "" where nobody does. */
  person: string;
  /** Civil date by which somebody acts next, "" where none follows. */
  actBy: string;
  /** Why a clinician has to look, "" where none has to. */
  clinicianBecause: Escalation | 'owner';
  /** Why the booked place is none, "" where it is one. */
  noPlaceBecause: OverReason | '';
  /** The window moved after the visit was booked, and its day lies outside now. */
  hasWindowMoved: boolean;
  /** The person is not to be contacted (FU-07). */
  isContactBarred: boolean;
  /** Tries without an answer, since one was answered or a clinician decided. */
  failedTries: number;
  /** Tries to reach the person, earliest first. */
  attempts: RecordState[];
}

/** What the list is made of: all records of these kinds that the device holds. */
export interface HeldRecords {
  visits: readonly RecordState[];
  patients: readonly RecordState[];
  attempts: readonly RecordState[];
  /** Booked visits that hold no place, by record. */
  noPlaces?: ReadonlyMap<string, OverReason>;
}

/** Return the window of a visit, null when none stands or two stand. */
export function windowOf(visit: RecordState): Window | null {
  const found = structureOf(visit, 'window');
  if (found === null) return null;
  const { earliest_on: earliestOn, target_on: targetOn, latest_on: latestOn } = found;
  if (typeof earliestOn !== 'string' || typeof latestOn !== 'string') return null;
  return typeof targetOn === 'string' ? { earliestOn, targetOn, latestOn } : null;
}

/** Return the booking of a visit, null when none stands or two stand. */
export function bookingOf(visit: RecordState): Booking | null {
  const found = structureOf(visit, 'booking');
  if (found === null) return null;
  const { session, on, time } = found;
  if (typeof on !== 'string') return null;
  return {
    session: typeof session === 'string' ? session : '',
    on,
    time: typeof time === 'string' ? time : '',
  };
}

/** Whether a visit is a call: nobody comes to it, somebody is reached. */
export const isByPhone = ({ label }: Pick<WorkRow, 'label'>) => neededEquipment(label) === 'phone';

/** How urgent a visit is, 0 to 3. */
export function urgencyOf(visit: RecordState): number {
  return Math.max(0, Math.min(MOST_URGENT, numberOf(visit, 'urgency') ?? 0));
}

/** Whether a visit may hold a place: while two answers stand and one says booked, it does. */
export function mayBeBooked(visit: RecordState): boolean {
  return !visit.isEnteredInError && valuesOf(visit, 'status').some(isBookedAnswer);
}

const isBookedAnswer = ({ value }: { value: Json }) => value === 'booked';

/** An end beside one of these, done apart, is two answers as much as an end beside a visit. */
const BESIDE_AN_END = ['owner_role', 'act_on', 'booking'];

/** Say whether the visit still needs an act of somebody; of two answers one is enough. */
export function isOpen(visit: RecordState): boolean {
  if (visit.isEnteredInError) return false;
  const isOver = ['attended', 'ended'].includes(textOf(visit, 'status'));
  return !isOver || BESIDE_AN_END.some((field) => isInConflict(visit, field));
}

/**
 * Return every open visit with its group, the most pressing first: days past the target, times
 * one more than the urgency (FU-01).
 *
 * @param todayOn - civil date of the device
 * @param limitOf - limits of the course, of `readCourseLimits`
 */
export function makeWorklist(held: HeldRecords, todayOn: string, limitOf: CourseLimit): WorkRow[] {
  return rowsOf(held, held.visits.filter(isOpen), { todayOn, limitOf });
}

/**
 * Return the visits of some people that took place or ended, the last written first: a clinician
 * opens one again where it was noted in error.
 *
 * @param patients - records of the people
 */
export function listClosed(held: HeldRecords, patients: ReadonlySet<string>, now: Now): WorkRow[] {
  const closed = held.visits.filter(
    (visit) => !visit.isEnteredInError && !isOpen(visit) && patients.has(textOf(visit, 'patient')),
  );
  // Nobody decides next on what is over; what took place waits for its result until a day.
  return rowsOf(held, closed, now)
    .map((row) => ({
      ...row,
      group: 'later' as const,
      clinicianBecause: '' as const,
      actBy: textOf(row.visit, 'act_on'),
    }))
    .sort((a, b) => (stampOf(a.visit, 'status') > stampOf(b.visit, 'status') ? -1 : 1));
}

function rowsOf(held: HeldRecords, visits: readonly RecordState[], now: Now): WorkRow[] {
  const patientOf = new Map(held.patients.map((patient) => [patient.record, patient]));
  const attemptsOf = new Map<string, RecordState[]>();
  for (const attempt of held.attempts) {
    if (attempt.isEnteredInError) continue;
    const visit = textOf(attempt, 'visit');
    const known = attemptsOf.get(visit);
    if (known === undefined) attemptsOf.set(visit, [attempt]);
    else known.push(attempt);
  }
  return visits
    .map((visit) =>
      rowOf(
        visit,
        patientOf.get(textOf(visit, 'patient')),
        attemptsOf.get(visit.record) ?? [],
        held.noPlaces?.get(visit.record) ?? '',
        now,
      ),
    )
    .sort(mostPressingFirst);
}

/** The day, and the limits of the course. */
export interface Now {
  todayOn: string;
  limitOf: CourseLimit;
}

function rowOf(
  visit: RecordState,
  patient: RecordState | undefined,
  attempts: RecordState[],
  noPlace: OverReason | '',
  now: Now,
): WorkRow {
  const window = windowOf(visit);
  const booking = bookingOf(visit);
  const status = textOf(visit, 'status');
  const row = {
    visit,
    patient,
    label: textOf(visit, 'label'),
    status,
    window,
    booking,
    daysPastTarget: window ? daysBetween(window.targetOn, now.todayOn) : null,
    urgency: urgencyOf(visit),
    owner: textOf(visit, 'owner_role'),
    person: textOf(visit, 'owner'),
    hasWindowMoved: status === 'booked' && hasWindowMoved({ visit, window, booking }),
    isContactBarred: shown(patient, 'do_not_contact') === true,
    noPlaceBecause: status === 'booked' ? noPlace : ('' as const),
    attempts: attempts.sort((a, b) => (textOf(a, 'at') < textOf(b, 'at') ? -1 : 1)),
    failedTries: countFailed(visit, attempts),
  };
  const clinicianBecause = whyClinician(row, now);
  const group = groupOf(row, clinicianBecause, now);
  return { ...row, clinicianBecause, group, actBy: actByOf(row, group, now) };
}

/** How pressing a row is: past the target it grows with the urgency, before it shrinks with it. */
function weightOf(row: WorkRow): number {
  if (row.daysPastTarget === null) return Infinity;
  const times = row.urgency + 1;
  return row.daysPastTarget > 0 ? row.daysPastTarget * times : row.daysPastTarget / times;
}

function mostPressingFirst(a: WorkRow, b: WorkRow): number {
  const [x, y] = [weightOf(a), weightOf(b)];
  if (x !== y) return y > x ? 1 : -1;
  if (a.urgency !== b.urgency) return b.urgency - a.urgency;
  return a.visit.record < b.visit.record ? -1 : 1;
}
