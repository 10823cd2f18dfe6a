import fc from 'fast-check';
import { expect, test } from 'vitest';
import { addDays } from '../clinical-rules/civil-date';
import type { RecordState } from '../ports';
import { canClose, canReopen, closeDrafts, makeWeek, reopenDraft } from './clinic-week';
import { withFields } from './record-state';
import { mondayOf } from './worklist-paper';
import {
  bookedOn,
  clerk,
  listOfVisits,
  patient,
  session,
  TODAY,
  visit,
  windowAround,
} from './worklist-samples';

const MONDAY = mondayOf(TODAY);

/** Return the week of some records, by their worklist. */
function weekOf(sessions: RecordState[], visits: RecordState[], mondayOn = MONDAY) {
  const patients = [patient('p', {})];
  return makeWeek({ sessions, visits, patients }, listOfVisits(visits, { patients }), mondayOn);
}
const sessionsOf = (week: ReturnType<typeof weekOf>) => week.days.flatMap((day) => day.sessions);

test('[FU-02] a week says who is booked in each session, and what is free', () => {
  const sessions = [
    session('s', TODAY, ['scope'], 3),
    session('t', addDays(TODAY, 2), ['phone'], 4),
    session('next', addDays(TODAY, 7), [], 9),
  ];
  const visits = [visit('a', bookedOn(TODAY)), visit('b', { window: windowAround(TODAY) })];

  const week = weekOf(sessions, visits);

  expect(week).toMatchObject({ mondayOn: TODAY, sundayOn: '2026-03-22' });
  expect(week).toMatchObject({ due: 2, dueBooked: 1, booked: 1, places: 7, free: 6, over: 0 });
  expect(week.days.map(({ sessions: held }) => held.length)).toEqual([1, 0, 1, 0, 0, 0, 0]);
  expect(sessionsOf(week)[0]).toMatchObject({ capacity: 3, free: 2, equipment: ['scope'] });
  expect(sessionsOf(week)[0]?.lines.map((line) => line.visit.record)).toEqual(['visit/a']);
});

test.each([
  [1, 1, 0, 0],
  [1, 2, 0, 1],
  [2, 1, 1, 0],
  [2, 3, 0, 1],
])('[FU-14] %i places and %i bookings: %i free, %i over', (capacity, booked, free, over) => {
  const visits = Array.from({ length: booked }, (_, place) =>
    visit(String(place), bookedOn(TODAY), `00000000000000${place}.00000.tab`),
  );

  const week = weekOf([session('s', TODAY, [], capacity)], visits);

  expect(week).toMatchObject({ booked, free, over });
  expect(sessionsOf(week)[0]).toMatchObject({ free, overCount: over });
  const marked = sessionsOf(week).flatMap(({ lines }) => lines.filter((one) => one.overBecause));
  // The last place is held by the earlier booking (BK2).
  expect(marked.map((one) => one.visit.record)).toEqual(over ? [`visit/${booked - 1}`] : []);
});

test('a closed day stands there with its reason and without places; its bookings are over', () => {
  const closed = withFields(session('s', TODAY, [], 3), { closed_because: 'holiday' });

  const week = weekOf([closed], [visit('a', bookedOn(TODAY))]);

  expect(sessionsOf(week)[0]).toMatchObject({ closedBecause: 'holiday', free: 0, overCount: 1 });
  expect(week).toMatchObject({ places: 0, free: 0, booked: 1, over: 1 });
});

test('a session without a number of places says so and counts as none', () => {
  const open = session('s', TODAY, []);
  delete open.fields.capacity;

  const week = weekOf([open], [visit('a', bookedOn(TODAY))]);

  expect(sessionsOf(week)[0]).toMatchObject({ capacity: null, free: null, overCount: 0 });
  expect(week).toMatchObject({ places: 0, free: 0, booked: 1 });
});

/**
 * Has caught planted bugs: a week that left out its Sunday; `due` counted over booked rows alone;
 * bookings dropped whose session this device does not hold.
 */
test('[FU-14] the sums of all weeks are those of the list', () => {
  const day = fc.integer({ min: -16, max: 16 }).map((days) => addDays(TODAY, days));
  const status = fc.constantFrom('to-book', 'booked', 'no-show', 'cancelled', 'attended');
  const drawn = fc.array(fc.tuple(day, day, status, fc.constantFrom('s', 't', 'gone')), {
    maxLength: 14,
  });
  fc.assert(
    fc.property(drawn, (all) => {
      const sessions = [session('s', TODAY, [], 1), session('t', addDays(TODAY, 6), [], 2)];
      const visits = all.map(([targetOn, on, state, name], place) =>
        visit(String(place), {
          window: windowAround(targetOn),
          ...(state === 'booked' ? bookedOn(on, name) : { status: state }),
        }),
      );
      const rows = listOfVisits(visits);
      const weeks = [-4, -3, -2, -1, 0, 1, 2, 3].map((place) =>
        weekOf(sessions, visits, addDays(MONDAY, 7 * place)),
      );
      const sum = (count: (week: (typeof weeks)[number]) => number) =>
        weeks.reduce((total, week) => total + count(week), 0);

      const booked = rows.filter((row) => row.status === 'booked');
      expect(sum((week) => week.due)).toBe(rows.length);
      expect(sum((week) => week.dueBooked)).toBe(booked.length);
      expect(sum((week) => week.booked)).toBe(booked.length);
      const lines = weeks.flatMap((week) => sessionsOf(week).flatMap((one) => one.lines));
      expect(lines.map((line) => line.visit.record).sort()).toEqual(
        booked.map((row) => row.visit.record).sort(),
      );
      expect(sum((week) => week.free)).toBeLessThanOrEqual(sum((week) => week.places));
    }),
  );
});

// --- closing and opening again

/** Has caught planted bugs: closing that cancelled every visit of the day, and of no session. */
test('[HAZ-43] closing a session gives its bookings back to be booked, and no others', () => {
  const closing = session('s', TODAY, [], 3);
  const visits = [
    visit('a', bookedOn(TODAY)),
    visit('b', bookedOn(TODAY, 'other')),
    visit('c', { window: windowAround(TODAY) }),
    visit('d', { ...bookedOn(TODAY), urgency: 2 }),
  ];

  const drafts = closeDrafts(closing, listOfVisits(visits), 'room-closed', 'Room closed', clerk);

  expect(drafts[0]).toMatchObject({
    record: 'clinic_session/s',
    set: { closed_because: 'room-closed' },
    because: 'Room closed',
  });
  const cancelled = drafts.slice(1);
  expect(cancelled.map(({ record }) => record).sort()).toEqual(['visit/a', 'visit/d']);
  for (const { set, because } of cancelled) {
    expect(set).toMatchObject({ status: 'cancelled', cancelled_by: 'unit' });
    expect(set?.act_on).toBeDefined();
    expect(because).toBe('Room closed');
  }
});

test('[HAZ-14] closing twice before the screen has redrawn is one act', () => {
  const closing = session('s', TODAY, [], 3);
  const rows = listOfVisits([visit('a', bookedOn(TODAY))]);
  const ids = () =>
    closeDrafts(closing, rows, 'other', 'Another reason', clerk).map(({ draftId }) => draftId);

  expect(ids()).toEqual(ids());
});

test('a visit in which two answers stand is left to a person', () => {
  const two = visit('a', bookedOn(TODAY));
  if (two.fields.status) two.fields.status.isConflict = true;
  const rows = listOfVisits([two]);

  expect(rows[0]?.group).toBe('two-answers');
  expect(closeDrafts(session('s', TODAY, [], 3), rows, 'other', 'x', clerk)).toHaveLength(1);
});

test('a session is closed and opened from its day on, not after it', () => {
  const standing = (on: string, more = {}) => {
    const [one] = sessionsOf(weekOf([withFields(session('s', on, [], 1), more)], [], mondayOf(on)));
    if (!one) throw new Error('no session');
    return [canClose(one, TODAY), canReopen(one, TODAY)];
  };
  const closed = { closed_because: 'staff-away' };

  expect(standing(addDays(TODAY, -1))).toEqual([false, false]);
  expect(standing(TODAY)).toEqual([true, false]);
  expect(standing(addDays(TODAY, 1))).toEqual([true, false]);
  expect(standing(addDays(TODAY, -1), closed)).toEqual([false, false]);
  expect(standing(TODAY, closed)).toEqual([false, true]);
});

test('opening again takes the reason away and books nobody', () => {
  const closed = withFields(session('s', TODAY, [], 1), { closed_because: 'holiday' });

  expect(reopenDraft(closed, 'Opened again')).toMatchObject({
    record: 'clinic_session/s',
    set: { closed_because: null },
    because: 'Opened again',
  });
});

test('[BK7] who was told the former day of a session is over on that day, and takes no place', () => {
  const moved = session('s', addDays(TODAY, 2), [], 2);

  const week = weekOf([moved], [visit('a', bookedOn(TODAY))]);

  expect(sessionsOf(week).map(({ on, overCount, free }) => [on, overCount, free])).toEqual([
    [TODAY, 1, null],
    [addDays(TODAY, 2), 0, 2],
  ]);
  expect(sessionsOf(week)[0]?.lines[0]?.overBecause).toBe('another-day');
});
