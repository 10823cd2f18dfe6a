/** One week of clinic sessions: who is booked in each, and what is free, closed or over. Pure. */
import { addDays } from '../clinical-rules/civil-date';
import type { OverReason, SessionPlacesAnswer } from '../clinical-rules/session-places';
import type { Draft } from '../ports';
import { draftOn } from './decisions-draft';
import { capacityOf, closedBecause, seatBookings } from './session-bookings';
import { listOf, type RecordState } from './shown';
import { bookingOf, type WorkRow } from './worklist';
import { cancelDraft } from './worklist-acts';
import type { Course } from './worklist-course';
import { gatherSessions, type PaperLine, type PaperSession } from './worklist-paper';

/** Why a session does not take place, as the record keeps it. */
export const CLOSE_REASONS = [
  'staff-away',
  'room-closed',
  'equipment-out',
  'holiday',
  'other',
] as const;
export type CloseReason = (typeof CLOSE_REASONS)[number];

/** What the view of a week is made of. */
export interface WeekRecords {
  sessions: readonly RecordState[];
  visits: readonly RecordState[];
  patients: readonly RecordState[];
}

export interface WeekLine extends PaperLine {
  /** Why the booked place is none, "" where it is one. */
  overBecause: OverReason | '';
}

export interface WeekSession extends Omit<PaperSession, 'lines'> {
  /** The session's record; undefined where this device does not hold it. */
  state: RecordState | undefined;
  equipment: string[];
  /** Places; null where nobody entered them. */
  capacity: number | null;
  /** Places that are left: 0 where it is closed, null without a capacity. */
  free: number | null;
  overCount: number;
  lines: WeekLine[];
}

export interface WeekDay {
  on: string;
  sessions: WeekSession[];
}

export interface ClinicWeek {
  mondayOn: string;
  sundayOn: string;
  /** All seven, Monday first. */
  days: WeekDay[];
  /** Open visits of the list whose target lies in the week, and how many of them are booked. */
  due: number;
  dueBooked: number;
  /** Bookings of the week. */
  booked: number;
  /** Places in its sessions that take place, and those of them that are free. */
  places: number;
  free: number;
  over: number;
}

/**
 * Return a week of sessions with everybody who is booked in it, each exactly once (FU-14).
 *
 * @param rows - the worklist: what is due is counted in it
 * @param mondayOn - its first day
 */
export function makeWeek(
  held: WeekRecords,
  rows: readonly WorkRow[],
  mondayOn: string,
): ClinicWeek {
  const sundayOn = addDays(mondayOn, 6);
  const gathered = gatherSessions(held.sessions, held.visits, held.patients, mondayOn, sundayOn);
  const stateOf = new Map(held.sessions.map((session) => [session.record, session]));
  const seats = seatBookings(held.sessions, held.visits);
  const sessions = gathered.map((one): WeekSession => {
    const state = stateOf.get(one.record);
    const seated = seats.get(one.record);
    const capacity = state ? capacityOf(state) : null;
    const closed = state ? closedBecause(state) : '';
    const taken = seated?.holding.length ?? 0;
    const lines = one.lines.map((line) => ({ ...line, overBecause: whyOver(seats, line.visit) }));
    return {
      ...one,
      state,
      closedBecause: closed,
      equipment: listOf(state, 'equipment').map(String),
      capacity,
      free: closed !== '' ? 0 : capacity === null ? null : Math.max(0, capacity - taken),
      // Those told another day stand, and are counted, on that day.
      overCount: state
        ? (seated?.over.filter(({ why }) => why !== 'another-day').length ?? 0)
        : lines.filter(({ overBecause }) => overBecause !== '').length,
      lines,
    };
  });
  const isInWeek = (on = '') => on >= mondayOn && on <= sundayOn;
  const due = rows.filter((row) => isInWeek(row.window?.targetOn));
  const total = (count: (session: WeekSession) => number) =>
    sessions.reduce((sum, session) => sum + count(session), 0);
  return {
    mondayOn,
    sundayOn,
    days: [0, 1, 2, 3, 4, 5, 6].map((day) => {
      const on = addDays(mondayOn, day);
      return { on, sessions: sessions.filter((session) => session.on === on) };
    }),
    due: due.length,
    dueBooked: due.filter((row) => row.status === 'booked').length,
    booked: total(({ lines }) => lines.length),
    places: total((session) => (session.closedBecause === '' ? (session.capacity ?? 0) : 0)),
    free: total((session) => session.free ?? 0),
    over: total((session) => session.overCount),
  };
}

/** Return why a booked visit has no place, also where its session is held on another day. */
function whyOver(
  seats: ReadonlyMap<string, SessionPlacesAnswer>,
  visit: RecordState,
): OverReason | '' {
  const over = seats.get(bookingOf(visit)?.session ?? '')?.over ?? [];
  return over.find((one) => one.visit === visit.record)?.why ?? '';
}

/** Say whether a session can be closed: it is held, open, and its day has not passed. */
export function canClose(session: WeekSession, todayOn: string): boolean {
  return session.state !== undefined && session.closedBecause === '' && session.on >= todayOn;
}

/** Say whether a closed session can be opened again: its day has not passed. */
export function canReopen(session: WeekSession, todayOn: string): boolean {
  const isStruck = session.state?.isEnteredInError ?? true;
  return !isStruck && session.closedBecause !== '' && session.on >= todayOn;
}

/** Return the bookings that closing a session takes back, of the rows of the worklist. */
export function listToCancel(session: RecordState, rows: readonly WorkRow[]): WorkRow[] {
  return rows
    .filter((row) => row.status === 'booked' && row.group !== 'two-answers')
    .filter((row) => row.booking?.session === session.record);
}

/**
 * Return the drafts that close a session: every booking in it is cancelled by the unit, and its
 * visit stays to be booked (FU-02, HAZ-43).
 *
 * A visit in which two answers stand is left as it is: a person settles it first, and it stays on
 * the list as one without a place.
 *
 * @param rows - the worklist
 * @param because - the reason as the record keeps it in words
 */
export function closeDrafts(
  session: RecordState,
  rows: readonly WorkRow[],
  reason: CloseReason,
  because: string,
  course: Course,
): Draft[] {
  const closing = draftOn(session, session.record, { closed_because: reason }, { because });
  const cancelled = listToCancel(session, rows).map((row) =>
    cancelDraft(row.visit, 'unit', because, course, row.failedTries),
  );
  return [closing, ...cancelled];
}

/** Return the draft that opens a closed session again; nobody is booked back into it. */
export function reopenDraft(session: RecordState, because: string): Draft {
  return draftOn(session, session.record, { closed_because: null }, { because });
}
