import { expect, test } from 'vitest';
import {
  findProblem,
  findTimeZone,
  layOutSessions,
  listDays,
  listKnownHolidays,
  listPlaces,
  type SessionPattern,
  sessionRecord,
} from './clinic-week-pattern';
import { withFields } from './record-state';
import { session, TODAY } from './worklist-samples';

const PATTERN: SessionPattern = {
  place: 'Room 2',
  starts: '09:00',
  capacity: 4,
  equipment: ['phone', 'scope'],
  firstOn: TODAY,
  everyWeeks: 1,
  weeks: 12,
};

/** Counted with the unit's own calendar: `session_record` of `clinic_calendar.py`. */
test('a session has the record that the unit would give it', () => {
  expect(sessionRecord('Room 2', '2026-03-16', '09:00')).toBe(
    'clinic_session/2026-03-16-934f4f9facf1',
  );
  expect(sessionRecord('Büro Süd', '2026-12-24', '13:30')).toBe(
    'clinic_session/2026-12-24-396c438607ef',
  );
});

test.each([
  [0, 12, 1, TODAY],
  [1, 12, 12, '2026-06-01'],
  [2, 12, 6, '2026-05-25'],
  [4, 12, 3, '2026-05-11'],
  [4, 26, 7, '2026-08-31'],
])('every %i weeks for %i weeks: %i days, the last %s', (everyWeeks, weeks, count, lastOn) => {
  const days = listDays({ ...PATTERN, everyWeeks, weeks });

  expect(days).toHaveLength(count);
  expect(days.at(0)).toBe(TODAY);
  expect(days.at(-1)).toBe(lastOn);
});

test('a season is laid out once: what stands there stays as it is', () => {
  const first = layOutSessions(PATTERN, [], 'Europe/London');
  const standing = [
    // The same place, day and time under another record.
    session('by-hand', TODAY, []),
    // The same record, struck since.
    {
      ...session('x', '2026-03-23', []),
      record: sessionRecord('Room 2', '2026-03-23', '09:00'),
      isEnteredInError: true,
    },
  ];
  const second = layOutSessions(PATTERN, standing, 'Europe/London');

  expect([first.drafts.length, first.already, first.closed]).toEqual([12, 0, []]);
  expect(first.drafts[0]).toMatchObject({
    record: sessionRecord('Room 2', TODAY, '09:00'),
    set: {
      place: 'Room 2',
      held: { on: TODAY, starts: '09:00', time_zone: 'Europe/London' },
      capacity: 4,
      equipment: ['scope', 'phone'],
    },
  });
  expect([second.drafts.length, second.already]).toEqual([10, 2]);
  expect(second.drafts[0]?.record).toBe(sessionRecord('Room 2', '2026-03-30', '09:00'));
});

/** Has caught a planted bug: a day closed for a reason of its own taken for a holiday. */
test('a day on which the unit closed a session for a holiday is one for new sessions', () => {
  const standing = [
    withFields(session('a', '2026-04-06', []), { closed_because: 'holiday', place: 'Room 9' }),
    withFields(session('b', '2026-03-30', []), { closed_because: 'staff-away', place: 'Room 9' }),
  ];

  const laidOut = layOutSessions(PATTERN, standing, 'Europe/London');

  expect([...listKnownHolidays(standing)]).toEqual(['2026-04-06']);
  expect(laidOut.closed).toEqual([{ on: '2026-04-06', name: '' }]);
  const closed = laidOut.drafts.filter(({ set }) => set?.closed_because !== undefined);
  expect(closed.map(({ record }) => record.slice(15, 25))).toEqual(['2026-04-06']);
});

/** Has caught a planted bug: holidays that the unit told were listed, and their sessions open. */
test("[FU-02] a session on a holiday of the unit's country is laid out as closed, with its name", () => {
  const closedDays = new Map([
    ['2026-04-06', 'Easter Monday'],
    ['2026-04-07', 'no day of the pattern'],
  ]);

  const laidOut = layOutSessions(PATTERN, [], 'Europe/London', closedDays);

  expect(laidOut.closed).toEqual([{ on: '2026-04-06', name: 'Easter Monday' }]);
  const closed = laidOut.drafts.filter(({ set }) => set?.closed_because !== undefined);
  expect(closed.map(({ because, set }) => [because, set?.closed_because])).toEqual([
    ['closed: Easter Monday', 'holiday'],
  ]);
});

test.each([
  [{}, ''],
  [{ place: '  ' }, 'place'],
  [{ place: 'x'.repeat(80) }, ''],
  [{ place: 'x'.repeat(81) }, 'place'],
  [{ starts: '24:00' }, 'starts'],
  [{ starts: '23:59' }, ''],
  [{ starts: '9:00' }, 'starts'],
  [{ capacity: 0 }, 'capacity'],
  [{ capacity: 1 }, ''],
  [{ capacity: 200 }, ''],
  [{ capacity: 201 }, 'capacity'],
  [{ capacity: Number.NaN }, 'capacity'],
])('%o: what is wrong is %o', (more, problem) => {
  expect(findProblem({ ...PATTERN, ...more })).toBe(problem);
});

test('a place brings what its latest session was like', () => {
  const sessions = [session('b', '2026-05-04', ['phone'], 7), session('a', TODAY, ['scope'], 3)];

  expect(listPlaces(sessions)).toEqual([
    { place: 'Room 2', starts: '09:00', capacity: 7, equipment: ['phone'] },
  ]);
  expect(findTimeZone(sessions, 'Etc/UTC')).toBe('Europe/London');
  expect(findTimeZone([], 'Etc/UTC')).toBe('Etc/UTC');
});
