/**
 * New sessions as a desk adds them: one, or one that comes back week by week. Pure.
 *
 * A session's record follows from place, day and time, as the unit's own calendar makes it: two
 * desks that lay out the same season make one.
 */
import { sha256 } from '@noble/hashes/sha2.js';
import { bytesToHex, utf8ToBytes } from '@noble/hashes/utils.js';
import { addDays } from '../clinical-rules/civil-date';
import type { Draft, Json } from '../ports';
import { draftOn } from './decisions-draft';
import { closedBecause } from './session-bookings';
import { listOf, numberOf, type RecordState, structureOf, textOf } from './shown';

/** As the unit's calendar bounds it. */
export const MOST_CAPACITY = 200;
export const EQUIPMENT = ['scope', 'ultrasound-scope', 'phone'] as const;

/** What comes back, from which day on and how often. */
export interface SessionPattern {
  place: string;
  /** Wall time at the place, `HH:MM`. */
  starts: string;
  capacity: number;
  equipment: readonly string[];
  firstOn: string;
  /** 0 for once. */
  everyWeeks: number;
  /** How many weeks the season has. */
  weeks: number;
}

/** Sessions that are new; which of them fall on a known holiday, how many stood there before. */
export interface LaidOut {
  drafts: Draft[];
  /** The name is "" where the record alone tells of the holiday. */
  closed: { on: string; name: string }[];
  already: number;
}

/** What is missing or wrong, "" where nothing is. */
export type PatternProblem = '' | 'place' | 'starts' | 'capacity';

/** Say what a pattern still lacks. */
export function findProblem(pattern: Pick<SessionPattern, 'place' | 'starts' | 'capacity'>) {
  const place = pattern.place.trim();
  const checks: [PatternProblem, boolean][] = [
    ['place', place.length > 0 && place.length <= 80],
    ['starts', /^([01][0-9]|2[0-3]):[0-5][0-9]$/.test(pattern.starts)],
    [
      'capacity',
      Number.isSafeInteger(pattern.capacity) &&
        pattern.capacity >= 1 &&
        pattern.capacity <= MOST_CAPACITY,
    ],
  ];
  return checks.find(([, isRight]) => !isRight)?.[0] ?? '';
}

/** Return the record of a session at a place, day and time. */
export function sessionRecord(place: string, on: string, starts: string): string {
  const digest = bytesToHex(sha256(utf8ToBytes(`${place}\n${on}\n${starts}`)));
  return `clinic_session/${on}-${digest.slice(0, 12)}`;
}

/** Return the days of a pattern, earliest first. */
export function listDays({ firstOn, everyWeeks, weeks }: SessionPattern): string[] {
  if (everyWeeks === 0) return [firstOn];
  const count = Math.max(1, Math.ceil(weeks / everyWeeks));
  return Array.from({ length: count }, (_, place) => addDays(firstOn, 7 * everyWeeks * place));
}

/**
 * Return the days that are holidays as far as the record tells: those on which a session was laid
 * out as closed for one.
 */
export function listKnownHolidays(sessions: readonly RecordState[]): Set<string> {
  return new Set(
    sessions.filter((session) => closedBecause(session) === 'holiday').map((one) => dayOf(one)),
  );
}

/**
 * Return the drafts that add the sessions of a pattern. One that stands at the same place, day and
 * time is left as it is, also a closed one; one on a known holiday is added as closed.
 *
 * @param sessions - all sessions held
 * @param timeZone - IANA name of the place's time zone
 * @param closedDays - names of the holidays of the unit's country, by day
 */
export function layOutSessions(
  pattern: SessionPattern,
  sessions: readonly RecordState[],
  timeZone: string,
  closedDays: ReadonlyMap<string, string> = new Map(),
): LaidOut {
  const place = pattern.place.trim();
  const { starts, capacity } = pattern;
  const holidays = new Map([...listKnownHolidays(sessions)].map((on) => [on, '']));
  for (const [on, name] of closedDays) holidays.set(on, name);
  const records = new Set(sessions.map((session) => session.record));
  const taken = new Set(
    sessions
      .filter((session) => !session.isEnteredInError)
      .map((session) => [textOf(session, 'place'), dayOf(session), startOf(session)].join('\n')),
  );
  const days = listDays(pattern);
  const fresh = days.filter(
    (on) =>
      !taken.has([place, on, starts].join('\n')) && !records.has(sessionRecord(place, on, starts)),
  );
  const drafts = fresh.map((on) => {
    const set: Record<string, Json> = {
      place,
      held: { on, starts, time_zone: timeZone },
      capacity,
      equipment: EQUIPMENT.filter((item) => pattern.equipment.includes(item)),
    };
    const name = holidays.get(on);
    if (name === undefined) return draftOn(null, sessionRecord(place, on, starts), set);
    set.closed_because = 'holiday';
    // As the unit's own calendar notes it.
    const because = name === '' ? '' : `closed: ${name}`;
    return draftOn(null, sessionRecord(place, on, starts), set, { because });
  });
  return {
    drafts,
    closed: fresh.flatMap((on) => {
      const name = holidays.get(on);
      return name === undefined ? [] : [{ on, name }];
    }),
    already: days.length - fresh.length,
  };
}

/** A place as sessions have it: what a new session there most likely is like. */
export interface KnownPlace {
  place: string;
  starts: string;
  capacity: number;
  equipment: string[];
}

/** Return the places of the sessions held, each with what its latest session was like. */
export function listPlaces(sessions: readonly RecordState[]): KnownPlace[] {
  const found = new Map<string, KnownPlace>();
  const ordered = [...sessions].sort((a, b) => (dayOf(a) < dayOf(b) ? -1 : 1));
  for (const session of ordered) {
    const place = textOf(session, 'place');
    if (place === '' || session.isEnteredInError) continue;
    found.set(place, {
      place,
      starts: startOf(session),
      capacity: numberOf(session, 'capacity') ?? 1,
      equipment: listOf(session, 'equipment').map(String),
    });
  }
  return [...found.values()].sort((a, b) => (a.place < b.place ? -1 : 1));
}

/** Return the time zone that most sessions have, or the device's own. */
export function findTimeZone(sessions: readonly RecordState[], deviceZone: string): string {
  const counted = new Map<string, number>();
  for (const session of sessions) {
    const zone = structureOf(session, 'held')?.time_zone;
    if (typeof zone === 'string' && zone !== '') counted.set(zone, (counted.get(zone) ?? 0) + 1);
  }
  const [first] = [...counted].sort((a, b) => b[1] - a[1] || (a[0] < b[0] ? -1 : 1));
  return first?.[0] ?? deviceZone;
}

function dayOf(session: RecordState): string {
  const on = structureOf(session, 'held')?.on;
  return typeof on === 'string' ? on : '';
}

function startOf(session: RecordState): string {
  const starts = structureOf(session, 'held')?.starts;
  return typeof starts === 'string' ? starts : '';
}
