/** Which sessions fit a visit, and what they hold. Pure; reads the booking stream alone. */
import { daysBetween } from '../clinical-rules/civil-date';
import { fitsSession, neededEquipment, type OverReason } from '../clinical-rules/session-places';
import { closedBecause, seatBookings } from './session-bookings';
import { listOf, numberOf, type RecordState, structureOf, textOf } from './shown';
import { bookingOf, mayBeBooked, type Window, type WorkRow } from './worklist';

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

/** Return how many visits hold a place in each session, by session. */
export function countBooked(visits: readonly RecordState[]): Map<string, number> {
  const counted = new Map<string, number>();
  for (const visit of visits) {
    if (!mayBeBooked(visit)) continue;
    const session = bookingOf(visit)?.session ?? '';
    counted.set(session, (counted.get(session) ?? 0) + 1);
  }
  return counted;
}

/**
 * Return the sessions from today on that fit a visit, nearest to its target first.
 *
 * Full and closed sessions are left out; sessions outside the window are offered and marked
 * (FU-02).
 *
 * @param visits - all visits held: they fill the places
 */
export function offerSessions(
  row: Pick<WorkRow, 'visit' | 'label' | 'window'>,
  sessions: readonly RecordState[],
  visits: readonly RecordState[],
  todayOn: string,
): OfferedSession[] {
  const needed = neededEquipment(row.label);
  const target = row.window?.targetOn ?? todayOn;
  // The place that the visit holds itself is free to it.
  const booked = countBooked(visits.filter((visit) => visit.record !== row.visit.record));
  return sessions
    .filter((session) => isOffered(session) && fitsSession(needed, equipmentOf(session)))
    .map((session) => offerOf(session, row.window, target, booked.get(session.record) ?? 0))
    .filter((offer) => offer.on >= todayOn && offer.free > 0)
    .sort(
      (a, b) =>
        Math.abs(a.daysFromTarget) - Math.abs(b.daysFromTarget) ||
        (`${a.on} ${a.starts} ${a.session.record}` < `${b.on} ${b.starts} ${b.session.record}`
          ? -1
          : 1),
    );
}

const equipmentOf = (session: RecordState) => listOf(session, 'equipment').map(String);

/**
 * Return the booked visits that hold no place, with why (BK1 to BK5, BK7): two desks gave away
 * the last one, or the session is closed, moved or not on record. Days that have passed are left
 * alone.
 */
export function findNoPlaces(
  sessions: readonly RecordState[],
  visits: readonly RecordState[],
  todayOn: string,
): Map<string, OverReason> {
  const ahead = new Set(
    visits.filter((visit) => (bookingOf(visit)?.on ?? '') >= todayOn).map(({ record }) => record),
  );
  const found = new Map<string, OverReason>();
  for (const { over } of seatBookings(sessions, visits).values()) {
    for (const { visit, why } of over) if (ahead.has(visit)) found.set(visit, why);
  }
  return found;
}

/** Say whether a session is held: neither struck nor closed. */
export function isOffered(session: RecordState): boolean {
  return closedBecause(session) === '';
}

/** Return a session as it would be offered, with what is booked in it. */
export function offerOf(
  session: RecordState,
  window: Window | null,
  targetOn: string,
  booked: number,
): OfferedSession {
  const held = structureOf(session, 'held');
  const on = typeof held?.on === 'string' ? held.on : '';
  const capacity = numberOf(session, 'capacity') ?? 0;
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
