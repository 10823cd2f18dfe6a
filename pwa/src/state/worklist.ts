/**
 * The clinic's worklist: which group each open visit belongs to, and which sessions fit it.
 * Pure; reads the booking stream alone.
 */
import { addDays, daysBetween } from '../clinical-rules/civil-date';
import type { HistoryEntry } from '../ports';
import {
  isInConflict,
  listOf,
  numberOf,
  type RecordState,
  structureOf,
  textOf,
  valuesOf,
} from './shown';

/** In the order in which a day's work goes; every open visit is in exactly one (FU-01). */
export const GROUPS = [
  'two-answers',
  'to-answer',
  'overdue',
  'no-show',
  'due',
  'this-week',
  'clinician',
  'later',
] as const;
export type Group = (typeof GROUPS)[number];

/** Common practice, no source: a place is looked for from four weeks before the target. */
export const BOOK_AHEAD_DAYS = 28;
/** Common practice, no source: what a clinician does needs no place, only to be seen coming. */
export const CLINICIAN_AHEAD_DAYS = 7;
/** FU-06: this long past the end of the window a clinician looks at it. */
export const CLINICIAN_AFTER_DAYS = 14;
/** FU-06: so many tries without an answer, and a clinician looks at it. */
export const FAILED_TRIES = 2;

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
  owner: string;
  /** Why a clinician has to look, "" where none has to. */
  clinicianBecause: '' | 'owner' | 'late' | 'no-answer';
  attempts: RecordState[];
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

/** Say whether the visit still needs an act of somebody. */
export function isOpen(visit: RecordState): boolean {
  return !visit.isEnteredInError && !['attended', 'ended'].includes(textOf(visit, 'status'));
}

/**
 * Return every open visit with its group, most days past the target first.
 *
 * @param attempts - all contact attempts held
 * @param todayOn - civil date of the device
 */
export function makeWorklist(
  visits: readonly RecordState[],
  patients: readonly RecordState[],
  attempts: readonly RecordState[],
  todayOn: string,
): WorkRow[] {
  const patientOf = new Map(patients.map((patient) => [patient.record, patient]));
  const attemptsOf = new Map<string, RecordState[]>();
  for (const attempt of attempts) {
    if (attempt.isEnteredInError) continue;
    const visit = textOf(attempt, 'visit');
    attemptsOf.set(visit, [...(attemptsOf.get(visit) ?? []), attempt]);
  }
  return visits
    .filter(isOpen)
    .map((visit) =>
      rowOf(
        visit,
        patientOf.get(textOf(visit, 'patient')),
        attemptsOf.get(visit.record) ?? [],
        todayOn,
      ),
    )
    .sort(latestFirst);
}

function rowOf(
  visit: RecordState,
  patient: RecordState | undefined,
  attempts: RecordState[],
  todayOn: string,
): WorkRow {
  const window = windowOf(visit);
  const row = {
    visit,
    patient,
    label: textOf(visit, 'label'),
    status: textOf(visit, 'status'),
    window,
    booking: bookingOf(visit),
    daysPastTarget: window ? daysBetween(window.targetOn, todayOn) : null,
    owner: textOf(visit, 'owner_role'),
    attempts: [...attempts].sort((a, b) => (textOf(a, 'at') < textOf(b, 'at') ? -1 : 1)),
  };
  const clinicianBecause = whyClinician(row, todayOn);
  return { ...row, clinicianBecause, group: groupOf(row, clinicianBecause, todayOn) };
}

type Unsorted = Omit<WorkRow, 'group' | 'clinicianBecause'>;

/** FU-06. A booked visit waits for its day, whoever owns it. */
function whyClinician(row: Unsorted, todayOn: string): WorkRow['clinicianBecause'] {
  if (row.status === 'booked') return '';
  if (row.window && daysBetween(row.window.latestOn, todayOn) > CLINICIAN_AFTER_DAYS) return 'late';
  const sinceReached = row.attempts.slice(
    row.attempts.findLastIndex((attempt) => textOf(attempt, 'result') === 'reached') + 1,
  );
  const failed = sinceReached.filter((attempt) =>
    ['no-answer', 'wrong-number'].includes(textOf(attempt, 'result')),
  );
  if (failed.length >= FAILED_TRIES) return 'no-answer';
  const isNear =
    row.window === null || addDays(todayOn, CLINICIAN_AHEAD_DAYS) >= row.window.targetOn;
  return row.owner === 'clinician' && (isNear || wasHandedOver(row.visit)) ? 'owner' : '';
}

/** Whether somebody gave the visit to its owner after it was planned: then it waits at once. */
function wasHandedOver(visit: RecordState): boolean {
  const [owner, label] = ['owner_role', 'label'].map(
    (field) => valuesOf(visit, field).at(-1)?.references ?? [],
  );
  return owner !== undefined && !owner.some((reference) => label?.includes(reference));
}

function groupOf(row: Unsorted, why: WorkRow['clinicianBecause'], todayOn: string): Group {
  const isUnsettled = ['window', 'booking', 'owner_role', 'status', 'patient'].some((field) =>
    isInConflict(row.visit, field),
  );
  if (isUnsettled) return 'two-answers';
  if (row.status === 'booked' && row.booking !== null) {
    if (row.booking.on < todayOn) return 'to-answer';
    return row.booking.on < addDays(todayOn, 7) ? 'this-week' : 'later';
  }
  if (why !== '') return 'clinician';
  if (row.status === 'no-show') return 'no-show';
  if (row.window === null || row.status === 'booked') return 'due';
  if (row.window.latestOn < todayOn) return 'overdue';
  // A clinician's own act needs no place: it shows when it comes near.
  if (row.owner === 'clinician') return 'later';
  if (row.status === 'cancelled') return 'due';
  return addDays(todayOn, BOOK_AHEAD_DAYS) >= row.window.targetOn ? 'due' : 'later';
}

function latestFirst(a: WorkRow, b: WorkRow): number {
  const [x, y] = [a.daysPastTarget ?? Infinity, b.daysPastTarget ?? Infinity];
  if (x !== y) return y - x > 0 ? 1 : -1;
  return a.visit.record < b.visit.record ? -1 : 1;
}

/** Return how often a visit was missed, as its history stands. */
export function countNoShows(history: readonly HistoryEntry[]): number {
  return history.filter((entry) => !entry.isStruck && entry.set.status === 'no-show').length;
}

/** Say whether a row answers to what was typed: part of a name, local number or phone. */
export function isFoundBy(row: WorkRow, typed: string): boolean {
  const plain = (text: string) =>
    text
      .normalize('NFD')
      .replace(/[\u0300-\u036f\s]/g, '')
      .toLowerCase();
  const wanted = plain(typed);
  if (wanted === '') return true;
  const fields = ['family_name', 'given_name', 'local_id', 'phone'];
  const parts = fields.map((field) => plain(textOf(row.patient, field)));
  return parts.some((part) => part.includes(wanted)) || parts.slice(0, 2).join('').includes(wanted);
}

/** What a visit of this label needs in the room; "" where any clinic does. */
export function equipmentFor(label: string): '' | 'phone' | 'scope' | 'ultrasound-scope' {
  if (/^phone\b/i.test(label)) return 'phone';
  if (/^treatment\b/i.test(label)) return 'ultrasound-scope';
  if (!/\bscope\b/i.test(label)) return '';
  return /ultrasound/i.test(label) ? 'ultrasound-scope' : 'scope';
}

/** One session as offered for a visit. */
export interface OfferedSession {
  session: RecordState;
  place: string;
  on: string;
  starts: string;
  capacity: number;
  booked: number;
  free: number;
  /** Where the day lies from the visit's window. */
  lies: 'inside' | 'before' | 'after';
  daysFromTarget: number;
}

/**
 * Return the sessions from today on that fit a visit, nearest to its target first.
 *
 * Full sessions are left out; sessions outside the window are offered and marked (FU-02).
 *
 * @param visits - all visits held: they fill the places
 */
export function offerSessions(
  row: Pick<WorkRow, 'visit' | 'label' | 'window'>,
  sessions: readonly RecordState[],
  visits: readonly RecordState[],
  todayOn: string,
): OfferedSession[] {
  const needed = equipmentFor(row.label);
  const target = row.window?.targetOn ?? todayOn;
  return sessions
    .filter((session) => !session.isEnteredInError && fits(session, needed))
    .map((session) => offered(session, row.visit, row.window, target, visits))
    .filter((offer) => offer.on >= todayOn && offer.free > 0)
    .sort(
      (a, b) =>
        Math.abs(a.daysFromTarget) - Math.abs(b.daysFromTarget) ||
        (`${a.on} ${a.starts} ${a.session.record}` < `${b.on} ${b.starts} ${b.session.record}`
          ? -1
          : 1),
    );
}

function fits(session: RecordState, needed: ReturnType<typeof equipmentFor>): boolean {
  const equipment = listOf(session, 'equipment');
  if (needed === '') return equipment.length === 0 || equipment.some((item) => item !== 'phone');
  if (needed === 'scope' && equipment.includes('ultrasound-scope')) return true;
  return equipment.includes(needed);
}

function offered(
  session: RecordState,
  visit: RecordState,
  window: Window | null,
  targetOn: string,
  visits: readonly RecordState[],
): OfferedSession {
  const held = structureOf(session, 'held');
  const on = typeof held?.on === 'string' ? held.on : '';
  const capacity = numberOf(session, 'capacity') ?? 0;
  const booked = visits.filter(
    (other) =>
      other.record !== visit.record &&
      !other.isEnteredInError &&
      textOf(other, 'status') === 'booked' &&
      bookingOf(other)?.session === session.record,
  ).length;
  return {
    session,
    place: textOf(session, 'place'),
    on,
    starts: typeof held?.starts === 'string' ? held.starts : '',
    capacity,
    booked,
    free: capacity - booked,
    lies:
      window === null || (on >= window.earliestOn && on <= window.latestOn)
        ? 'inside'
        : on < window.earliestOn
          ? 'before'
          : 'after',
    daysFromTarget: on === '' ? 0 : daysBetween(targetOn, on),
  };
}
