import fc from 'fast-check';
import { expect, test } from 'vitest';
import {
  type ClockReading,
  isStopEarly,
  moveStartBack,
  readRunningTimer,
  readTimer,
  secondsText,
  startTimer,
  stopTimer,
} from './timer';

const HOUR_MS = 3_600_000;
const begun: ClockReading = { wallMs: 1_790_000_000_000, monotonicMs: 20_000, page: 'p1' };
const after = (wallMs: number, monotonicMs = wallMs, page = 'p1'): ClockReading => ({
  wallMs: begun.wallMs + wallMs,
  monotonicMs: begun.monotonicMs + monotonicMs,
  page,
});

test('[HAZ-17] a page hidden for 10 minutes shows the true time on its return', () => {
  const reading = readTimer(startTimer(begun), after(600_000));

  expect(reading).toMatchObject({ elapsedMs: 600_000, isUncertain: false });
});

test.each([HOUR_MS, -HOUR_MS])('[HAZ-17] a clock set by %i ms makes the time uncertain', (set) => {
  const reading = readTimer(startTimer(begun), after(30_000 + set, 30_000));

  expect(reading.isUncertain).toBe(true);
  expect(reading.wallElapsedMs).toBe(30_000 + set);
  expect(reading.monotonicElapsedMs).toBe(30_000);
});

test('[HAZ-17] asleep for 3 minutes: uncertain, and both clocks are kept', () => {
  const reading = readTimer(startTimer(begun), after(200_000, 20_000));

  expect(reading).toEqual({
    elapsedMs: 20_000,
    isUncertain: true,
    wallElapsedMs: 200_000,
    monotonicElapsedMs: 20_000,
  });
});

test('[HAZ-17] clocks exactly 1 s apart still agree, 1 ms more and they do not', () => {
  const timer = startTimer(begun);

  expect(readTimer(timer, after(31_000, 30_000)).isUncertain).toBe(false);
  expect(readTimer(timer, after(31_001, 30_000)).isUncertain).toBe(true);
  expect(readTimer(timer, after(28_999, 30_000)).isUncertain).toBe(true);
});

test('[UX-15] after a restart the wall clock alone tells the time', () => {
  const remembered = readRunningTimer(JSON.parse(JSON.stringify(startTimer(begun))));

  expect(remembered).not.toBeNull();
  if (remembered === null) return;
  expect(readTimer(remembered, after(47_000, -19_000, 'p2'))).toEqual({
    elapsedMs: 47_000,
    isUncertain: false,
    wallElapsedMs: 47_000,
    monotonicElapsedMs: null,
  });
});

test('[HAZ-17] after a restart a wall clock before the start is uncertain, never negative', () => {
  const timer = moveStartBack(startTimer(begun), 5_000);

  expect(readTimer(timer, after(-10_000, 0, 'p2'))).toMatchObject({
    elapsedMs: 0,
    isUncertain: true,
  });
  expect(readTimer(timer, after(-2_000, 0, 'p2')).isUncertain).toBe(true);
});

test('[HAZ-21] a start moved back keeps the moment that was pressed', () => {
  const timer = moveStartBack(moveStartBack(startTimer(begun), 5_000), 5_000);

  expect(readTimer(timer, after(3_000)).elapsedMs).toBe(13_000);
  expect(timer.started).toEqual(begun);
});

test('what is no remembered timer is none', () => {
  for (const content of [null, undefined, 'x', 7, {}, { started: {}, earlierMs: 0 }]) {
    expect(readRunningTimer(content)).toBeNull();
  }
});

/** Has caught: an agreement of 10 s instead of 1 s; never calling a time uncertain. */
test('[HAZ-17] the time shown is within 1 s of the truth or said to be uncertain', () => {
  const ms = (most: number) => fc.integer({ min: 0, max: most });
  const jump = fc.integer({ min: -2 * HOUR_MS, max: 2 * HOUR_MS });
  fc.assert(
    fc.property(ms(1_800_000), ms(600_000), jump, (awakeMs, asleepMs, setMs) => {
      const truthMs = awakeMs + asleepMs;
      const reading = readTimer(startTimer(begun), after(truthMs + setMs, awakeMs));
      // Asleep and set back by the same time: no clock on the tablet can tell.
      fc.pre(Math.abs(asleepMs + setMs) > 1_000 || asleepMs <= 1_000);
      const isRight = Math.abs(reading.elapsedMs - truthMs) <= 1_000;
      expect(isRight || reading.isUncertain).toBe(true);
    }),
    { numRuns: 500, seed: 17 },
  );
});

test('seconds are rounded down and carry their unit', () => {
  expect([0, 999, 1_000, 119_999, 120_000, 185_500, -3].map(secondsText)).toEqual([
    '0 s',
    '0 s',
    '1 s',
    '119 s',
    '2 min 0 s',
    '3 min 5 s',
    '0 s',
  ]);
});

test('a timer stopped before its record stands still, across a kill too, until it goes on', () => {
  const stopped = stopTimer(startTimer(begun), after(12_000));
  const kept = readRunningTimer(JSON.parse(JSON.stringify(stopped)));

  expect(readTimer(stopped, after(60_000)).elapsedMs).toBe(12_000);
  expect(kept).toEqual(stopped);
  expect(readTimer(kept ?? startTimer(begun), after(90_000, 500, 'p2')).elapsedMs).toBe(12_000);
  expect(readRunningTimer({ ...startTimer(begun), stopped: 'yes' })).toEqual(startTimer(begun));
});

test('a stop is early below half the planned time, and never where no time is planned', () => {
  expect([22_499, 22_500, 22_501].map((ms) => isStopEarly(ms, 45_000))).toEqual([
    true,
    false,
    false,
  ]);
  expect(isStopEarly(0, null)).toBe(false);
});
