/** Exact numbers: against published constants, the platform's logarithm, and rules by hand. */
import fc from 'fast-check';
import { expect, test } from 'vitest';
import {
  type Exact,
  exact,
  log10,
  minus,
  naturalLog,
  over,
  plus,
  roundHalfUp,
  times,
  writeDigits,
} from './measures';

test('the logarithms of 2, 3 and 10 are the published constants to 50 decimals', () => {
  // OEIS A002162, A002391 and A002392.
  const published = {
    '2': '0.69314718055994530941723212145817656807550013436025',
    '3': '1.09861228866810969139524523692252570464749055782274',
    '10': '2.30258509299404568401799145468436420760110148862877',
  };
  for (const [base, digits] of Object.entries(published)) {
    expect(writeDigits(naturalLog(exact(base))).slice(0, digits.length)).toBe(digits);
  }
});

test('[LS2] the logarithm of 1 is 0 and those of powers of ten are whole, exactly', () => {
  expect(naturalLog(exact(1))).toBe(exact(0));
  for (const [size, power] of [
    ['0.001', -3],
    ['0.1', -1],
    ['1', 0],
    ['10', 1],
    ['1000', 3],
  ] as const) {
    expect(log10(exact(size))).toBe(exact(power));
  }
});

test('the logarithm agrees with that of the platform to 14 digits', () => {
  // Planted bug that this caught: the series of z^n / n with even terms.
  fc.assert(
    fc.property(fc.double({ min: 0.01, max: 10_000, noNaN: true }), (size) => {
      const ours = roundHalfUp(naturalLog(exact(size)), 20);
      expect(Math.abs(ours - Math.log(size))).toBeLessThan(1e-13);
    }),
  );
});

test('a number is taken exactly as its digits say', () => {
  expect(plus(exact(0.1), exact(0.2))).toBe(exact('0.3'));
  expect(minus(exact('1e-7'), exact(1e-7))).toBe(exact(0));
  expect(times(exact(34.2), exact(1))).toBe(times(exact(2), exact('17.1')));
  expect(over(exact(88.4), exact('88.4'))).toBe(exact(1));
  expect(exact(-1.5e3)).toBe(exact('-1500'));
  expect(() => exact('1,5')).toThrow('1,5 is no decimal number');
});

test.each([
  ['14.5', 0, 15],
  ['15.5', 0, 16],
  ['-2.5', 0, -3],
  ['1.005', 2, 1.01],
  ['-2.31925', 4, -2.3193],
  ['-0.4', 0, 0],
  ['80', 2, 80],
])('[LS2] %s with %i decimals is %d', (digits, places, rounded) => {
  expect(roundHalfUp(exact(digits), places)).toBe(rounded);
});

test('plain digits have no exponent and no needless zeros', () => {
  expect(writeDigits(exact(1e-7))).toBe('0.0000001');
  expect(writeDigits(exact('40.50'))).toBe('40.5');
  expect(writeDigits(exact(-300))).toBe('-300');
  expect(writeDigits(0n as Exact)).toBe('0');
});
