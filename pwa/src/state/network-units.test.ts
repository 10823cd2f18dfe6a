import fc from 'fast-check';
import { expect, test } from 'vitest';
import type { FleetDevice, FleetUnit } from '../network-questions';
import { unitFacts } from '../text/network';
import {
  CLOCK_LIMIT_MS,
  clockSeconds,
  countUnits,
  isClockOff,
  OLDEST_ROW_MS,
  orderDevices,
  orderUnits,
  placeOfAge,
  type Remarkable,
  RULER_MARKS,
  remarkablesOf,
  usualBuild,
} from './network-units';

const HOUR = 3_600_000;
const NOW = 100 * 24 * HOUR;
const unit = (name: string, more: Partial<FleetUnit> = {}): FleetUnit => ({
  unit: `unit-${name}`,
  name,
  is_waiting: false,
  joined_ms: 1,
  last_contact_ms: NOW - 60_000,
  silence: 'none',
  reported_ms: NOW - 60_000,
  build: 'a1',
  unsent: 0,
  clock_offset_ms: 0,
  cases: 12,
  devices: [],
  ...more,
});

/** Has caught a planted bug: ordered by name alone, a silent unit stood below those that are well. */
test('[DM-01] [HAZ-35] who waits or is silent stands first, the longest silent before the others', () => {
  const units = [
    unit('Alder Bay'),
    unit('Birch Head', { silence: 'silent', last_contact_ms: NOW - 30 * HOUR }),
    unit('Crane Fell', { silence: 'escalated', last_contact_ms: NOW - 80 * HOUR }),
    unit('Dorn Lea', { silence: 'escalated', last_contact_ms: null }),
    unit('Eskmere', { is_waiting: true, last_contact_ms: null, silence: 'none' }),
    unit('Aspen Row'),
  ];

  expect(orderUnits(units).map(({ name }) => name)).toEqual([
    'Eskmere',
    'Dorn Lea',
    'Crane Fell',
    'Birch Head',
    'Alder Bay',
    'Aspen Row',
  ]);
  expect(countUnits(units)).toEqual({ all: 5, silent: 3, waiting: 1 });
});

test.each([
  [OLDEST_ROW_MS - 1, []],
  [OLDEST_ROW_MS, []],
  [OLDEST_ROW_MS + 1, ['old-row']],
])('[DM-01] a row is at most five minutes old, else it says so (%d ms)', (age, found) => {
  expect(remarkablesOf(unit('A', { reported_ms: NOW - age }), NOW, 'a1')).toEqual(found);
});

test.each([
  [CLOCK_LIMIT_MS - 1, false],
  [CLOCK_LIMIT_MS, false],
  [CLOCK_LIMIT_MS + 1, true],
  [-CLOCK_LIMIT_MS, false],
  [-CLOCK_LIMIT_MS - 1, true],
])('a clock beyond the limit is told, whichever way it is off (%d ms)', (offset, isOff) => {
  expect(isClockOff(offset)).toBe(isOff);
});

/** Caught: the desk neither named the version that a unit speaks nor said that it is another one. */
test.each<[string | undefined, string | undefined, (number | null | undefined)[], Remarkable[]]>([
  ['1', '1', [1, null, undefined], []],
  ['2', '1', [], ['protocol']],
  // Who does not tell is neither the same nor another.
  ['', '1', [2], []],
  [undefined, '1', [2], []],
  ['1', undefined, [1], []],
  ['1', '1', [1, 2], ['device-protocol']],
  ['2', '1', [1], ['protocol', 'device-protocol']],
])('[DM-01] [EX24] a unit that speaks %j, at a hub that speaks %j', (theirs, hubs, of, found) => {
  const devices = of.map(
    (protocol, place): FleetDevice => ({
      ...{ device: `d${place}`, last_contact_ms: NOW, silence: 'none', build: 'b' },
      ...{ unsent: 0, clock_offset_ms: 0, storage: 'kept' },
      ...(protocol === undefined ? {} : { protocol }),
    }),
  );
  const told = theirs === undefined ? {} : { protocol: theirs };

  expect(remarkablesOf(unit('A', { ...told, devices }), NOW, 'a1', hubs)).toEqual(found);
});

test('[EX24] the protocol of a unit is among its facts, and one that told none is not told', () => {
  const fact = (more: Partial<FleetUnit>) =>
    new Map(unitFacts(unit('A', more), NOW)).get('Exchange version');

  expect(fact({ protocol: '1' })).toBe('1');
  expect([fact({ protocol: '' }), fact({})]).toEqual(['not told', 'not told']);
});

test('what stands out is told once, and of a unit that waits nothing but that', () => {
  const waits = unit('A', { is_waiting: true, reported_ms: null, silence: 'silent', build: '' });
  const silent = unit('B', { silence: 'silent', reported_ms: null, build: 'b2' });

  expect(remarkablesOf(waits, NOW, 'a1')).toEqual(['waiting']);
  expect(remarkablesOf(silent, NOW, 'a1')).toEqual(['silent', 'build']);
  expect(isClockOff(null)).toBe(false);
});

test('the usual build is the one of most units; of as many, the last by name', () => {
  expect(usualBuild([])).toBe('');
  expect(usualBuild([unit('A'), unit('B', { build: 'b2' }), unit('C')])).toBe('a1');
  expect(usualBuild([unit('A'), unit('B', { build: 'b2' })])).toBe('b2');
  expect(usualBuild([unit('A', { build: '' })])).toBe('');
});

test('a clock agrees below a second; from there its difference is not made smaller', () => {
  expect([0, 999, 1_000, 1_001, -999, -1_001].map(clockSeconds)).toEqual([0, 0, 1, 2, 0, 2]);
});

/** Has caught a planted bug: without the bound, an age of a month lay outside the drawing. */
test('the ruler grows with the age and stays within itself', () => {
  expect([placeOfAge(0), placeOfAge(14 * 24 * HOUR)]).toEqual([0, 1_000]);
  expect([...RULER_MARKS].sort((one, other) => one - other)).toEqual(RULER_MARKS);
  fc.assert(
    fc.property(fc.nat(60 * 24 * HOUR), fc.nat(60 * 24 * HOUR), (one, other) => {
      const [young, old] = [Math.min(one, other), Math.max(one, other)];
      expect(placeOfAge(young)).toBeLessThanOrEqual(placeOfAge(old));
      expect(placeOfAge(old)).toBeLessThanOrEqual(1_000);
    }),
  );
  expect(placeOfAge(-5)).toBe(0);
});

/** Has caught a planted bug: by silence alone, a tablet of unsent work stood below an empty one. */
test('[DM-01] [HAZ-35] devices that somebody has to look for stand first, with unsent work before all', () => {
  const device = (
    id: string,
    silence: 'none' | 'silent' | 'escalated',
    last: number | null,
    unsent: number | null = null,
  ) => ({
    device: id,
    silence,
    last_contact_ms: last,
    build: '',
    unsent,
    clock_offset_ms: null,
    storage: 'unknown' as const,
  });
  const devices = [
    device('a', 'none', 9),
    device('b', 'silent', 3),
    device('c', 'escalated', null),
    device('d', 'escalated', 2, 0),
    device('e', 'silent', 4, 1),
    device('f', 'none', 8, 7),
  ];

  expect(orderDevices(devices).map((one) => one.device)).toEqual(['e', 'c', 'd', 'b', 'f', 'a']);
});
