/**
 * Who holds a place and who is over in each session, as the record shows it now: BK1 to BK5 and
 * BK7 over merged states. Twin of `seat_bookings` in `booking_records.py`. Pure.
 */
import { isCivilDate } from '../clinical-rules/civil-date';
import {
  answerSessionPlaces,
  MOST_URGENT,
  type SessionPlacesAnswer,
} from '../clinical-rules/session-places';
import { type Json, type RecordState, structureOf, valuesOf } from './shown';

interface Booked {
  session: string;
  stamp: string;
  on: string;
}

interface Session {
  capacity: number | null;
  closed_because: string;
  held_on: string;
}

/**
 * Return the answer for each session that anybody is booked into, by its record.
 *
 * @param sessions - all sessions held; whoever is booked into another has no place (BK7)
 * @param visits - all visits held
 */
export function seatBookings(
  sessions: readonly RecordState[],
  visits: readonly RecordState[],
): Map<string, SessionPlacesAnswer> {
  const named = new Map<string, { visit: string; stamp: string; on: string; urgency: number }[]>();
  for (const visit of visits) {
    for (const { session, stamp, on } of bookedInto(visit)) {
      const one = { visit: visit.record, stamp, on, urgency: urgencyOf(visit) };
      const known = named.get(session);
      if (known === undefined) named.set(session, [one]);
      else known.push(one);
    }
  }
  const found = new Map<string, SessionPlacesAnswer>();
  const known = new Map(sessions.map((session) => [session.record, session]));
  for (const [record, bookings] of named) {
    found.set(record, answerSessionPlaces({ bookings, ...sessionOf(known.get(record)) }));
  }
  return found;
}

function sessionOf(session: RecordState | undefined): Session {
  if (session === undefined) return { capacity: null, closed_because: '', held_on: '' };
  return {
    capacity: capacityOf(session),
    closed_because: closedBecause(session),
    held_on: heldOn(session),
  };
}

/** Return the day on which a session is held, "" where none can be read or two stand. */
export function heldOn(session: RecordState): string {
  const on = structureOf(session, 'held')?.on;
  return typeof on === 'string' && isCivilDate(on) ? on : '';
}

/** Return why a session does not take place, "" where it does; of two answers one is enough. */
export function closedBecause(session: RecordState): string {
  if (session.isEnteredInError) return 'entered-in-error';
  const answers = valuesOf(session, 'closed_because').map((held) => held.value);
  return answers.find((one): one is string => typeof one === 'string' && one !== '') ?? '';
}

/** Return how many visits a session may hold, null where nobody says; of two answers the smaller. */
export function capacityOf(session: RecordState): number | null {
  const answers = wholeNumbers(session, 'capacity').filter((one) => one >= 0);
  return answers.length === 0 ? null : Math.min(...answers);
}

/** Return every session that a booked visit names, with the day told; two for two answers. */
function bookedInto(visit: RecordState): Booked[] {
  // While two answers stand and one says booked, its place is not given away.
  const isBooked = valuesOf(visit, 'status').some(({ value }) => value === 'booked');
  if (visit.isEnteredInError || !isBooked) return [];
  return valuesOf(visit, 'booking').flatMap(({ value, stamp }) => {
    const { session, on } = isStructure(value) ? value : {};
    if (typeof session !== 'string' || session === '') return [];
    return [{ session, stamp, on: typeof on === 'string' && isCivilDate(on) ? on : '' }];
  });
}

/** Return 0 to 3; of two answers the higher. */
function urgencyOf(visit: RecordState): number {
  return Math.min(MOST_URGENT, Math.max(0, ...wholeNumbers(visit, 'urgency')));
}

function wholeNumbers(state: RecordState, field: string): number[] {
  return valuesOf(state, field)
    .map((held) => held.value)
    .filter((one): one is number => Number.isSafeInteger(one));
}

function isStructure(value: Json): value is { readonly [part: string]: Json } {
  return typeof value === 'object' && value !== null && !Array.isArray(value);
}
