import fc from 'fast-check';
import { expect, test } from 'vitest';
import { digitCount, pressDigit, slotsText, splitDigits } from './digit-entry';

const DATE = [
  { name: 'Day', length: 2 },
  { name: 'Month', length: 2 },
  { name: 'Year', length: 4 },
];

test('leading noughts stay: they are digits, not a number', () => {
  const pressed = [...'04051961'].reduce((now, key) => pressDigit(now, key, DATE), '');
  expect(splitDigits(pressed, DATE)).toEqual(['04', '05', '1961']);
});

test('digits still to come are shown as dashes', () => {
  expect(slotsText('4', 2)).toBe('4–');
});

/** Caught a planted bug: `>` for `>=`, which took a ninth digit. */
test('[UX-08] no run of keys makes more digits than asked for, or anything but digits', () => {
  const key = fc.constantFrom(...'0123456789', '.', 'back', 'Enter', '12', '');
  fc.assert(
    fc.property(fc.array(key, { maxLength: 40 }), (keys) => {
      const pressed = keys.reduce((now, next) => pressDigit(now, next, DATE), '');
      expect(pressed).toMatch(/^\d*$/);
      expect(pressed.length).toBeLessThanOrEqual(digitCount(DATE));
      expect(splitDigits(pressed, DATE).join('')).toBe(pressed);
    }),
    { numRuns: 1000, seed: 12 },
  );
});
