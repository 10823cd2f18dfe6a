import { expect, test } from 'vitest';
import { foundWords, totalWords } from './network';

const at = (count: number | null, cases: number | null) => ({
  unit: 'unit-a',
  name: 'Tarn Hollow',
  count,
  cases,
});

/** Caught: seven coils of three cases were told as "7 of 42 cases". */
test('[DM-03] what a rule counts is named, and only cases are told of all cases', () => {
  expect(foundWords(at(7, 42), 'case')).toBe('Cases: 7 of 42');
  expect(foundWords(at(7, 42), 'coil')).toBe('Coils: 7; 42 cases in all');
  expect(foundWords(at(7, null), 'pair')).toBe('Pairs: 7');
});

test('[HAZ-49] a small count is held back; one that has grown past the cases of a month stands apart', () => {
  expect(foundWords(at(null, 42), 'device')).toBe(
    'Coils, aliquots and needles: fewer than 5; 42 cases in all',
  );
  // How many cases a unit has, it tells once a month: a count may be newer.
  expect(foundWords(at(43, 42), 'case')).toBe('Cases: 43; 42 cases in all');
});

/** Caught: where each unit's count was held back, the network was said to have none. */
test('[HAZ-49] of many units the sum is told, and where one is held back that it is a least', () => {
  const total = { rule: 'not-signed', found: 21, is_least: false, units: 2 };
  expect(totalWords(total, 'case')).toBe('Cases: 21 in 2 units');
  expect(totalWords({ ...total, found: 1, is_least: true, units: 1 }, 'coil')).toBe(
    'Coils: at least 1 in 1 unit',
  );
});

test('what a newer hub counts is called findings', () => {
  expect(foundWords(at(7, null), 'something-new')).toBe('Findings: 7');
});
