/**
 * Who holds a place in a clinic session and who is over, the same on every device.
 * Twin of `session_places.py`.
 *
 * Two desks can each give away the last place while the network is off. Both bookings are kept:
 * one of them is over, is listed, and a person finds another session for it. Pure.
 */
import { atMost, listOf, naturalNumber, shape, text } from './shapes';
import { compareTexts } from './text-order';

export const MOST_URGENT = 3;

/** Why a visit is over; the sentence for it is in `TEXTS`. */
export type OverReason =
  | 'closed'
  | 'not-held'
  | 'another-day'
  | 'no-places'
  | 'less-urgent'
  | 'booked-later'
  | 'same-moment';

const TEXTS: Readonly<Record<OverReason, string>> = {
  closed: 'This session is closed. Book another session for this visit.',
  'not-held': 'No day is on record for this session. Book another session for this visit.',
  'another-day':
    'This session is held on another day than the one booked. Book this visit anew, ' +
    'and tell the patient the new day.',
  'no-places':
    'This session has no places. Book another session for this visit, or correct the ' +
    'number of places.',
  'less-urgent':
    'All places of this session are taken, the last one by a visit that is more ' +
    'urgent. Book another session for this one, or add a place.',
  'booked-later':
    'All places of this session were taken before this booking was made. Book ' +
    'another session for this visit, or add a place.',
  'same-moment':
    'The last place of this session was given away twice in the same moment, and ' +
    'the other visit keeps it. Book another session for this one, or add a place.',
};

/** What a visit needs in the room; "" where any clinic does. */
export type Need = '' | 'phone' | 'scope' | 'ultrasound-scope';

export interface OverBooking {
  visit: string;
  why: OverReason;
  because: string;
}

export interface SessionPlacesAnswer {
  /** Visits that hold a place, in the order of places. */
  holding: string[];
  /** Visits booked beyond the capacity: each needs another session. */
  over: OverBooking[];
}

const readRequest = shape(
  {
    bookings: listOf(
      shape({ visit: text, stamp: text }, { urgency: atMost(MOST_URGENT), on: text }),
    ),
  },
  { capacity: naturalNumber, closed_because: text, held_on: text },
);

interface Booked {
  readonly visit: string;
  readonly stamp: string;
  readonly urgency: number;
}

/**
 * Return who holds a place in one session and who is over. Rules BK1-BK5, BK7.
 *
 * @param request - parsed JSON with the keys of `session-places` in RULES.md
 * @throws ShapeError for a wrong key or type
 */
export function answerSessionPlaces(request: unknown): SessionPlacesAnswer {
  const read = readRequest(request, '');
  const all = read.bookings.map((one) => ({ ...one, urgency: one.urgency ?? 0 }));
  const barred = whyBarred(read);
  const isTold = ({ on = '' }) => read.held_on === undefined || on === read.held_on;
  const waiting = barred === '' ? inOrder(all.filter(isTold)) : [];
  // Whoever was told another day comes on that one: no place of this session is theirs.
  const named = new Set(waiting.map(({ visit }) => visit));
  const astray = inOrder(all).filter(({ visit }) => !named.has(visit));
  const places = read.capacity ?? waiting.length;
  const holding = waiting.slice(0, places);
  return {
    holding: holding.map((one) => one.visit),
    over: [
      ...waiting.slice(places).map((one) => explain(one, whyOver(one, holding.at(-1)))),
      ...astray.map((one) => explain(one, barred || 'another-day')),
    ],
  };
}

/** Return what a visit of this label needs in the room; "" where any clinic does (BK6). */
export function neededEquipment(label: string): Need {
  if (/^phone\b/i.test(label)) return 'phone';
  if (/^treatment\b/i.test(label)) return 'ultrasound-scope';
  if (!/\bscope\b/i.test(label)) return '';
  return /ultrasound/i.test(label) ? 'ultrasound-scope' : 'scope';
}

/** Say whether a session has what a visit needs (BK6). */
export function fitsSession(needed: string, equipment: readonly string[]): boolean {
  if (needed === '') return equipment.length === 0 || equipment.some((item) => item !== 'phone');
  return (
    equipment.includes(needed) || (needed === 'scope' && equipment.includes('ultrasound-scope'))
  );
}

/** Each visit once, in the order in which places are given (BK1, BK2). */
function inOrder(bookings: readonly Booked[]): Booked[] {
  const first = new Map<string, Booked>();
  const ordered = [...bookings].sort(
    (a, b) =>
      b.urgency - a.urgency || compareTexts(a.stamp, b.stamp) || compareTexts(a.visit, b.visit),
  );
  for (const one of ordered) if (!first.has(one.visit)) first.set(one.visit, one);
  return [...first.values()];
}

/** Return why the session has a place for nobody, "" where it has (BK3, BK7). */
function whyBarred(read: { closed_because?: string; held_on?: string }): OverReason | '' {
  if ((read.closed_because ?? '') !== '') return 'closed';
  return read.held_on === '' ? 'not-held' : '';
}

function whyOver(one: Booked, last: Booked | undefined): OverReason {
  if (last === undefined) return 'no-places';
  if (last.urgency > one.urgency) return 'less-urgent';
  return last.stamp === one.stamp ? 'same-moment' : 'booked-later';
}

function explain(one: Booked, why: OverReason): OverBooking {
  return { visit: one.visit, why, because: TEXTS[why] };
}
