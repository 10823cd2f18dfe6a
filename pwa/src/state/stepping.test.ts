import { expect, test } from 'vitest';
import { MOST_STEPS, stepOn, stepsAround } from './stepping';

const TENTHS = { stepMilli: 100, leastMilli: 100, mostMilli: 4_000 };

test('[UX-08] [HAZ-09] the first press starts from the named number; without one nothing is made up', () => {
  expect(stepOn(null, 1_000, -1, TENTHS)).toBe(900);
  expect(stepOn(null, 1_000, 1, TENTHS)).toBe(1_100);
  expect(stepOn(null, null, 1, TENTHS)).toBeNull();
  expect(stepOn(500, 1_000, 1, TENTHS)).toBe(600);
});

test('[UX-08] a step never leaves the range', () => {
  expect(stepOn(200, null, -1, TENTHS)).toBe(100);
  expect(stepOn(100, null, -1, TENTHS)).toBeNull();
  expect(stepOn(4_000, null, 1, TENTHS)).toBeNull();
});

/** Rounding comes last: 0.45 goes to 0.4 or 0.5, never to 0.6. */
test('[UX-08] a number between two steps goes to the next one in the direction pressed', () => {
  expect(stepOn(450, null, 1, TENTHS)).toBe(500);
  expect(stepOn(450, null, -1, TENTHS)).toBe(400);
});

test('[UX-08] the steps around a distance are at most 40, and none is below one step', () => {
  for (const around of [1_000, 5_000, 23_000, 80_000]) {
    const { stepMilli, leastMilli, mostMilli } = stepsAround(around, 1_000);
    expect((mostMilli - leastMilli) / stepMilli + 1).toBeLessThanOrEqual(MOST_STEPS);
    expect(leastMilli).toBeGreaterThanOrEqual(stepMilli);
    expect(around >= leastMilli && around <= mostMilli).toBe(true);
  }
});
