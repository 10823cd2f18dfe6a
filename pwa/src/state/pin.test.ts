/** Proves what is pressed and shown of a PIN, and what a confirmation keeps. */
import { expect, test } from 'vitest';
import type { RecordState } from '../ports';
import {
  countUnconfirmed,
  howToConfirm,
  keptConfirmation,
  maskPin,
  mayPassWithoutPin,
  pressPin,
} from './pin';

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

/** The planted bug it has caught: nobody left taken for nobody yet, so that no PIN was asked for. */
test('[HAZ-25] a PIN is asked for unless nobody has one yet, or in an emergency', () => {
  const lock = (isOpen: boolean, isEmergency = false) =>
    howToConfirm({ isEmergency, keys: { isOpen } });
  expect([lock(false), lock(true), lock(false, true)]).toEqual(['pin', 'no-pin-set', 'emergency']);
});

/** The planted bug it has caught: a gate of a live case that only a PIN could pass. */
test('[HAZ-25] a gate of the live case is passed without a PIN, a signature never', () => {
  const procedure = { name: 'procedure', caseId: 'c1' } as const;
  expect(mayPassWithoutPin('case/c1', procedure)).toBe(true);
  expect(mayPassWithoutPin('case/c2', procedure)).toBe(false);
  expect(mayPassWithoutPin('', procedure)).toBe(false);
  expect(mayPassWithoutPin('case/c1', { name: 'close-out', caseId: 'c1' })).toBe(false);
});

test('[HAZ-25] the signature is told of steps that nobody confirmed by a PIN', () => {
  const event = (how: string | null, isEnteredInError = false) =>
    ({
      isEnteredInError,
      fields: how && {
        confirmation: { values: [{ value: { how }, by: '', stamp: '', references: [] }] },
      },
    }) as unknown as RecordState;
  const events = ['pin', 'emergency', 'no-pin-set', 'emergency'].map((how) => event(how));
  expect(countUnconfirmed([...events, event('emergency', true), event('')])).toBe(2);
});
