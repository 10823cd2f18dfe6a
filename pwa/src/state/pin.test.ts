/** Proves what is pressed and shown of a PIN, and what a confirmation keeps. */
import { expect, test } from 'vitest';
import { keptConfirmation, maskPin, pressPin } from './pin';

const pressAll = (keys: readonly string[]) => keys.reduce(pressPin, '');

test('digits are taken up to twelve, other keys are not, and the last one can be deleted', () => {
  expect(pressAll([...'407182'])).toBe('407182');
  expect(pressAll([...'4071829999990'])).toBe('407182999999');
  expect(pressAll(['4', 'a', ' ', '٣', '', '0', 'back', '7'])).toBe('47');
  expect(pressAll(['back'])).toBe('');
});

test('[SEC-11] no digit of a PIN is shown', () => {
  expect(maskPin('')).toBe('––––––');
  expect(maskPin('407')).toBe('●●●–––');
  expect(maskPin('40718293')).toBe('●●●●●●●●');
});

test('[HAZ-25] a confirmation names who, how and when', () => {
  const at = '2026-03-16T10:00:00+00:00';
  expect(keptConfirmation({ by: 'staff/a', how: 'pin', at })).toEqual({
    by: 'staff/a',
    how: 'pin',
    at,
  });
});
