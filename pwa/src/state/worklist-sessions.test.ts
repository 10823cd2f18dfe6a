import { expect, test } from 'vitest';
import {
  bookedOn,
  record,
  rowOfVisit,
  session,
  TODAY,
  visit,
  windowAround,
} from './worklist-samples';
import { findNoPlaces, offerSessions } from './worklist-sessions';

test('[FU-02] sessions come nearest to the target first; outside the window they are marked', () => {
  const one = visit('a', {
    label: 'Scope check with ultrasound',
    window: windowAround('2026-03-24'),
  });
  const sessions = [
    session('far', '2026-05-05', ['ultrasound-scope']),
    session('on-target', '2026-03-24', ['ultrasound-scope']),
    session('early', '2026-03-16', ['ultrasound-scope']),
    session('phone', '2026-03-24', ['phone']),
    session('plain-scope', '2026-03-24', ['scope']),
    session('past', '2026-03-15', ['ultrasound-scope']),
  ];

  const offers = offerSessions(rowOfVisit(one), sessions, [one], TODAY);

  expect(offers.map((offer) => [offer.session.record, offer.lies])).toEqual([
    ['clinic_session/on-target', 'inside'],
    ['clinic_session/early', 'before'],
    ['clinic_session/far', 'after'],
  ]);
});

test('[FU-14] a session whose places are all booked is not offered', () => {
  const one = visit('a', {});
  const full = session('s', '2026-03-17', ['scope'], 1);
  const other = visit('b', bookedOn('2026-03-17'));

  expect(offerSessions(rowOfVisit(one), [full], [one], TODAY)[0]?.free).toBe(1);
  expect(offerSessions(rowOfVisit(one), [full], [one, other], TODAY)).toEqual([]);
});

test('[FU-02] a closed session is not offered', () => {
  const one = visit('a', {});
  const closed = record('clinic_session/s', {
    held: { on: '2026-03-17', starts: '09:00' },
    capacity: 4,
    equipment: ['scope'],
    closed_because: 'holiday',
  });

  expect(offerSessions(rowOfVisit(one), [closed], [one], TODAY)).toEqual([]);
});

test('[BK2] two desks that gave away one place: the earlier booking holds it', () => {
  const sessions = [session('s', '2026-03-17', ['scope'], 1)];
  const first = visit('a', bookedOn('2026-03-17'), '000000000000001.00000.a');
  const second = visit('b', bookedOn('2026-03-17'), '000000000000002.00000.b');
  const urgent = visit('c', { ...bookedOn('2026-03-17'), urgency: 1 }, '000000000000003.00000.c');

  expect([...findNoPlaces(sessions, [second, first], TODAY)]).toEqual([
    ['visit/b', 'booked-later'],
  ]);
  expect(new Map(findNoPlaces(sessions, [second, first, urgent], TODAY))).toEqual(
    new Map([
      ['visit/a', 'less-urgent'],
      ['visit/b', 'less-urgent'],
    ]),
  );
});

test('[FU-01] bookings of a closed or struck session hold no place; those of the past are left', () => {
  const closed = record('clinic_session/s', { capacity: 4, closed_because: 'staff-away' });
  const struck = { ...session('s', '2026-03-17', ['scope'], 4), isEnteredInError: true };
  const [past, today] = [visit('a', bookedOn('2026-03-15')), visit('b', bookedOn(TODAY))];

  for (const one of [closed, struck]) {
    expect([...findNoPlaces([one], [past, today], TODAY)]).toEqual([['visit/b', 'closed']]);
  }
});

/** Planted bug that this caught: a booking was held against its session alone, not its day. */
test('[BK7] a session held on another day, or not on record, has no place for the visit', () => {
  const one = visit('a', bookedOn('2026-03-24'));

  expect([...findNoPlaces([session('s', '2026-03-24', [])], [one], TODAY)]).toEqual([]);
  expect([...findNoPlaces([session('s', '2026-03-17', [])], [one], TODAY)]).toEqual([
    ['visit/a', 'another-day'],
  ]);
  expect([...findNoPlaces([], [one], TODAY)]).toEqual([['visit/a', 'not-held']]);
});
