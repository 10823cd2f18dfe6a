import fc from 'fast-check';
import { expect, test } from 'vitest';
import type { NetworkQuality } from '../network-questions';
import {
  filledAt,
  foundAt,
  foundOverTime,
  heldBackAt,
  hundredths,
  orderRules,
  totalOf,
  wayOf,
} from './network-quality';

const rule = (id: string, severity: 'stop' | 'caution' | 'note') => ({
  rule: id,
  severity,
  counts: 'case',
  fixer: 'assistant',
  finding: id,
  act: id,
});
const QUALITY: NetworkQuality = {
  as_of_ms: 1,
  rules: [
    rule('DQ-9', 'note'),
    rule('DQ-1', 'stop'),
    rule('DQ-5', 'caution'),
    rule('DQ-2', 'stop'),
  ],
  units: [
    { unit: 't', name: 'Tarn Hollow', cases: 44, counts: { 'DQ-1': 9, 'DQ-2': 0 } },
    { unit: 'm', name: 'Marlow Fen', cases: 31, counts: { 'DQ-1': 12, 'DQ-2': null } },
  ],
  totals: [
    { rule: 'DQ-1', found: 21, is_least: false, units: 2 },
    { rule: 'DQ-2', found: 1, is_least: true, units: 1 },
    { rule: 'DQ-5', found: 0, is_least: false, units: 0 },
  ],
  more: false,
  names: [],
  over_time: [
    { on: '2026-11-01', units: 1, counts: { 'DQ-1': 3 }, at_least: [] },
    { on: '2026-11-10', units: 2, counts: { 'DQ-1': 27, 'DQ-2': 1 }, at_least: ['DQ-2'] },
    { on: '2026-11-20', units: 2, counts: { 'DQ-1': 12 }, at_least: [] },
  ],
  completeness: [
    { unit: 't', field: 'meld', filled: 22, of: 44 },
    { unit: 't', field: 'coils_placed', filled: 44, of: 44 },
    { unit: 't', field: 'shunt', filled: 2, of: 9 },
    { unit: 't', field: 'sex', filled: null, of: null },
    { unit: 't', field: 'cause', filled: 0, of: 0 },
    { unit: 'm', field: 'meld', filled: 1, of: 9 },
  ],
};

/** Caught: of a thousand units those of the first page alone were looked at. */
test('[DM-03] a rule that found something on a later page is no clean one', () => {
  const paged = { ...QUALITY, units: [], more: true };
  expect(orderRules(paged).found.map((one) => one.rule)).toEqual(['DQ-1', 'DQ-2']);
  expect(totalOf(paged, 'DQ-1')).toEqual({ rule: 'DQ-1', found: 21, is_least: false, units: 2 });
  expect(totalOf(paged, 'DQ-9').units).toBe(0);
});

test('[DM-03] what matters most stands first; what found nothing stands apart, and is not left out', () => {
  const { found, clean } = orderRules(QUALITY);
  expect(found.map((one) => one.rule)).toEqual(['DQ-1', 'DQ-2']);
  expect(clean.map((one) => one.rule)).toEqual(['DQ-5', 'DQ-9']);
});

/** Has caught a planted bug: sorted by number, the units became a ranking. */
test('[DM-10] units stand by name, never by number; a small count is held back, not left out', () => {
  expect(foundAt(QUALITY, 'DQ-1').map(({ name, count }) => [name, count])).toEqual([
    ['Marlow Fen', 12],
    ['Tarn Hollow', 9],
  ]);
  expect(foundAt(QUALITY, 'DQ-2').map(({ name, count }) => [name, count])).toEqual([
    ['Marlow Fen', null],
  ]);
  expect(foundAt(QUALITY, 'DQ-5')).toEqual([]);
});

/** Caught: a unit that was silent for a week made the network look better in it. */
test('[DM-04] over time weeks are compared in which as many units reported', () => {
  expect(foundOverTime(QUALITY, 'DQ-1')).toEqual([
    { on: '2026-11-10', count: 27, isLeast: false },
    { on: '2026-11-20', count: 12, isLeast: false },
  ]);
  expect(wayOf(foundOverTime(QUALITY, 'DQ-1'))).toBe('fewer');
  expect(foundOverTime({ ...QUALITY, over_time: [] }, 'DQ-1')).toEqual([]);
});

/** Has caught a planted bug: a count that was held back was taken for none, and "fewer" was told. */
test('no way is told from a day on which a count was held back, nor from one day', () => {
  const days = foundOverTime(QUALITY, 'DQ-2');
  expect(days[0]).toEqual({ on: '2026-11-10', count: 1, isLeast: true });
  expect(wayOf(days)).toBe('');
  expect(wayOf(days.slice(1))).toBe('');
  const day = (on: string, count: number) => ({ on, count, isLeast: false });
  expect(wayOf([day('a', 3), day('b', 3)])).toBe('as-many');
  expect(wayOf([day('a', 3), day('b', 4)])).toBe('more');
});

test('[DM-04] the emptiest field stands first; what stands for few is held back and counted', () => {
  expect(filledAt(QUALITY, 't').map(({ field }) => field)).toEqual([
    'shunt',
    'meld',
    'coils_placed',
  ]);
  expect(heldBackAt(QUALITY, 't')).toBe(1);
  expect(filledAt(QUALITY, 'nowhere')).toEqual([]);
});

/** Has caught a planted bug: rounded, 199 of 200 was told as full. */
test('a field that lacks one case is never told as full', () => {
  expect(hundredths({ field: 'x', filled: 199, of: 200 })).toBe(99);
  fc.assert(
    fc.property(fc.integer({ min: 1, max: 5_000 }), fc.nat(5_000), (of, less) => {
      const filled = Math.max(0, of - less);
      expect(hundredths({ field: 'x', filled, of }) === 100).toBe(filled === of);
    }),
  );
});
