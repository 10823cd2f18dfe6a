import fc from 'fast-check';
import { expect, test } from 'vitest';
import { isTooLarge, milliOf, milliText, pressKey } from './number-entry';

const rules = { decimals: 1, largestMilli: 60_000 };
const press = (keys: string) =>
  [...keys].reduce((pressed, key) => pressKey(pressed, key === '<' ? 'back' : key, rules), '');

test('[UX-08] a leading zero is added before the decimal mark', () => {
  expect(press('.5')).toBe('0.5');
});

test('[UX-08] a second decimal mark changes nothing', () => {
  expect(press('1.2.')).toBe('1.2');
});

test('[UX-08] more digits than the field has steps are not taken', () => {
  expect(press('1.23')).toBe('1.2');
});

test('[UX-08] a number beyond the largest stays on the pad and is refused there', () => {
  expect(press('61')).toBe('61');
  expect(isTooLarge('61', rules)).toBe(true);
  expect(isTooLarge('60', rules)).toBe(false);
  expect(isTooLarge('', rules)).toBe(false);
});

test('nothing pressed is no number', () => {
  expect(milliOf('')).toBeNull();
});

test('[UX-08] no trailing zero is shown', () => {
  expect(milliText(5000)).toBe('5');
  expect(milliText(500)).toBe('0.5');
  expect(milliText(12_250)).toBe('12.25');
});

/** Caught a planted bug: `fraction.length > rules.decimals` weakened to `>= 3`. */
test('[UX-08] no stream of keys makes a malformed number', () => {
  const keys = fc.array(fc.constantFrom(...'0123456789.'.split(''), 'back', 'x'), {
    maxLength: 12,
  });
  fc.assert(
    fc.property(keys, (stream) => {
      const pressed = stream.reduce((so_far, key) => pressKey(so_far, key, rules), '');
      expect(pressed).toMatch(/^(|(0|[1-9]\d{0,6})(\.\d?)?)$/);
      expect(isTooLarge(pressed, rules)).toBe((milliOf(pressed) ?? 0) > rules.largestMilli);
    }),
  );
});
