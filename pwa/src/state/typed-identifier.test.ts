/**
 * A device identifier that is typed: checked by its own check digit, or the line below the code.
 *
 * Caught: a package whose identifier could not be typed at all, so that no check digit guarded it.
 */
import { expect, test } from 'vitest';
import { packagedRuleBook } from '../clinical-rules/packaged-rule-files';
import { deviceOfLabel, joinReadings, NOTHING_READ } from './read-label';
import { isTypedWrong, readTypedIdentifier } from './typed-identifier';

const TODAY = '2026-11-25';
const BOOK = packagedRuleBook(TODAY);
const read = (typed: string) => readTypedIdentifier(typed, TODAY, BOOK);

test.each([
  ['09521234543213', '09521234543213'],
  [' 9521234 543213 ', '09521234543213'],
  ['614141123452', '00614141123452'],
  ['96385074', '00000096385074'],
  ['+A123BJC5D6E71G', 'A123BJC5D6E71'],
])('%s is the identifier %s', (typed, identifier) => {
  expect(read(typed)).toEqual({ ...NOTHING_READ, identifier });
  expect(isTypedWrong(typed, read(typed))).toBe(false);
});

test.each([
  ['09521234543214', 'check digit of 09521234543214 is wrong'],
  ['9521234543231', 'check digit of 9521234543231 is wrong'],
  ['0952123454', '8, 12, 13 or 14 digits'],
  ['A123BJC5D6E71', 'HIBC from + to its check character'],
  ['+A123BJC5D6E71H', 'check character is wrong'],
  ['(01)09521234543214', 'check digit of 09521234543214 is wrong'],
  ['(01', 'no field in brackets follows'],
])('%s has to be corrected: %s', (typed, words) => {
  const reading = read(typed);
  expect(reading.identifier).toBe('');
  expect(reading.problems[0]).toContain(words);
  expect(isTypedWrong(typed, reading) || reading.raw !== '').toBe(true);
});

test('[DL13] the line below the code is taken whole and kept as it was typed', () => {
  const line = '(01)09521234543213(11)250430(17)270228(10)AB-123';
  expect(deviceOfLabel(read(line), false)).toEqual({
    identifier: '09521234543213',
    lot: 'AB-123',
    expires_on: '2027-02-28',
    raw_label: line,
  });
});

test('a code and a typed line fill in each other, and of two answers none is taken', () => {
  const scanned = { ...NOTHING_READ, lot: 'AB-123', raw: '10AB-123' };

  expect(joinReadings(scanned, read('09521234543213'))).toEqual({
    ...scanned,
    identifier: '09521234543213',
  });
  const torn = joinReadings(scanned, read('(01)09521234543213(10)AB-124'));
  expect([torn.lot, torn.identifier, torn.problems.length]).toEqual(['', '', 1]);
});
