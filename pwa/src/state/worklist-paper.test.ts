import fc from 'fast-check';
import { expect, test } from 'vitest';
import { addDays } from '../clinical-rules/civil-date';
import { listSessions, mondayOf, printedOf, toldOf } from './worklist-paper';
import { bookedOn, patient, session, TODAY, visit } from './worklist-samples';

test.each([
  ['2026-03-15', '2026-03-09'],
  ['2026-03-16', '2026-03-16'],
  ['2026-03-22', '2026-03-16'],
  ['2027-01-01', '2026-12-28'],
])('the week of %s begins on %s', (on, monday) => {
  expect(mondayOf(on)).toBe(monday);
});

test('[HAZ-32] where two answers stand, a list says so and does not leave the place empty', () => {
  const two = patient('p', { phone: '0700 900 111' });
  const { phone } = two.fields;
  if (phone) two.fields.phone = { ...phone, isConflict: true };

  expect(toldOf(two, 'phone')).toBe('▲ ?');
  expect(toldOf(two, 'family_name')).toBe('Quillmere');
  expect(toldOf(two, 'local_id')).toBe('');
});

// A sheet that printed the mark alone turned this red: nobody could be called from it.
test('[HAZ-32] where two numbers stand, paper names both of them', () => {
  const two = patient('p', { phone: '0700 900 111' });
  const [held] = two.fields.phone?.values ?? [];
  if (held === undefined) throw new Error('no phone');
  two.fields.phone = { isConflict: true, values: [held, { ...held, value: '0700 900 222' }] };

  expect(printedOf(two, 'phone')).toBe('▲ 0700 900 111 / 0700 900 222');
  expect(printedOf(two, 'family_name')).toBe('Quillmere');
  expect(printedOf(two, 'local_id')).toBe('');
  two.fields.phone = { isConflict: true, values: [{ ...held, value: null }] };
  expect(printedOf(two, 'phone')).toBe('▲ ?');
});

test('sessions stand in the order of the clock, their people by name', () => {
  const sessions = [session('late', '2026-03-17', []), session('s', TODAY, [])];
  const people = [patient('p', { family_name: 'B' }), patient('q', { family_name: 'A' })];
  const visits = [
    visit('a', bookedOn(TODAY)),
    visit('b', { ...bookedOn(TODAY), patient: 'patient/q' }),
    visit('c', { status: 'cancelled', booking: bookedOn(TODAY).booking }),
  ];

  const listed = listSessions(sessions, visits, people, TODAY, '2026-03-17');

  expect(listed.map(({ record, lines }) => [record, lines.map((one) => one.visit.record)])).toEqual(
    [
      ['clinic_session/s', ['visit/b', 'visit/a']],
      ['clinic_session/late', []],
    ],
  );
});

/** Has caught a planted bug: bookings dropped whose session the device does not hold. */
test('[FU-14] each booking of these days stands on paper once, and no other', () => {
  const day = fc.integer({ min: -9, max: 9 }).map((days) => addDays(TODAY, days));
  const booking = fc.tuple(day, fc.constantFrom('s', 't', 'gone'), fc.boolean());
  fc.assert(
    fc.property(fc.array(booking, { maxLength: 12 }), day, fc.nat(6), (drawn, fromOn, days) => {
      const untilOn = addDays(fromOn, days);
      const sessions = [session('s', TODAY, []), session('t', addDays(TODAY, 1), [])];
      const visits = drawn.map(([on, name, isBooked], place) =>
        visit(String(place), { ...bookedOn(on, name), status: isBooked ? 'booked' : 'no-show' }),
      );

      const listed = listSessions(sessions, visits, [], fromOn, untilOn);

      const expected = drawn.flatMap(([on, , isBooked], place) =>
        isBooked && on >= fromOn && on <= untilOn ? [`visit/${place}`] : [],
      );
      const lines = listed.flatMap((one) => one.lines.map((line) => line.visit.record));
      expect(lines.sort()).toEqual(expected.sort());
    }),
  );
});
