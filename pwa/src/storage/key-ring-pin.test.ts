/** Proves which PINs are refused, and that many are not. */
import { expect, test } from 'vitest';
import { requirePin, waitAfter } from './key-ring-pin';

test.each(['', '12345', '1234567890123', '12345a', '１２３４５６', ' 407182', '407 182'])(
  '[SEC-11] %j is no PIN of 6 to 12 digits',
  (pin) => {
    expect(() => requirePin(pin)).toThrow('told:pinDigits');
  },
);

test.each([
  '000000',
  '11111111',
  '123456',
  '654321',
  '567890',
  '135791',
  '121212',
  '123123',
  '12341234',
  '123321',
  '112233',
  '100000',
  '111112',
  '159753',
  '246810',
  '01021980',
  '19800201',
  '12311999',
  '062026',
  '202606',
])('[SEC-11] %s is among the first that anybody would try', (pin) => {
  expect(() => requirePin(pin)).toThrow('told:pinCommon');
});

test.each(['407182', '918273', '40718239', '730152', '280394857610'])('%s may be chosen', (pin) => {
  expect(() => requirePin(pin)).not.toThrow();
});

test('[SEC-11] of all PINs of six digits fewer than one in fifty is refused', () => {
  let refused = 0;
  for (let number = 0; number < 1_000_000; number += 7) {
    try {
      requirePin(String(number).padStart(6, '0'));
    } catch {
      refused += 1;
    }
  }
  expect(refused / (1_000_000 / 7)).toBeLessThan(0.02);
});

test('[SEC-13] the waits in threes around each step', () => {
  expect([0, 4, 5, 6, 7, 8, 9, 10].map((tries) => waitAfter(tries) / 1_000)).toEqual([
    0, 0, 30, 60, 300, 900, 900, 900,
  ]);
});
