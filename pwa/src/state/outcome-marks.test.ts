import fc from 'fast-check';
import { expect, test } from 'vitest';
import type { CurvePoint, FunnelUnit, OutcomeShare } from '../outcome-answers';
import {
  markAmounts,
  markMonths,
  markShares,
  markUnits,
  perCent,
  pointOn,
  shapeOf,
  traceCurve,
  traceSum,
} from './outcome-marks';

const share = (counts: Partial<OutcomeShare>): OutcomeShare => ({
  outcome: 'embolism',
  group: 'harm',
  basis: 'unit-setting',
  definition: 'd',
  source: 's',
  happened: 3,
  judged: 12,
  missing: 4,
  low: 0.09,
  high: 0.53,
  suppressed: false,
  by_unit: [],
  ...counts,
});
const point = (day: number, of: number): CurvePoint => ({ day, share: of, low: of, high: of });

test('a share says what it would be had no, or every, missing case had it', () => {
  const [mark] = markShares([share({})]);

  expect(mark).toMatchObject({ share: 0.25, least: 3 / 16, most: 7 / 16 });
});

/** Caught a planted bug: with `missing ?? 0` for the refusal, a held-back row was drawn. */
test('[HAZ-49] what is held back, and what nobody was judged for, has no mark', () => {
  const held = { happened: null, judged: null, missing: null, suppressed: true };
  const none = { happened: 0, judged: 0, low: null, high: null };

  expect(markShares([share(held), share({ missing: null }), share(none)])).toEqual([]);
});

/** Caught a planted bug: missing cases counted as "did not happen" (`happened / all`). */
test('[OC1] the share of the judged lies between both ends of the missing', () => {
  fc.assert(
    fc.property(fc.nat(50), fc.nat(50), fc.nat(50), (happened, rest, missing) => {
      const judged = happened + rest;
      const [mark] = markShares([share({ happened, judged, missing, low: 0, high: 1 })]);
      if (judged === 0) return mark === undefined;
      return (
        mark !== undefined &&
        mark.share * judged - happened < 1e-9 &&
        mark.share * judged - happened > -1e-9 &&
        mark.least <= mark.share &&
        mark.share <= mark.most
      );
    }),
  );
});

test('a curve holds from day 0 to the last day, and between its days', () => {
  const curve = traceCurve([point(10, 0.9), point(40, 0.7)], 1, { until_day: 90 });

  expect(curve.map(({ day, share: of }) => [day, of])).toEqual([
    [0, 1],
    [10, 0.9],
    [40, 0.7],
    [90, 0.7],
  ]);
  expect([9, 10, 39, 40, 200].map((day) => pointOn(curve, day)?.share)).toEqual([
    1, 0.9, 0.9, 0.7, 0.7,
  ]);
  expect(pointOn(curve, -1)).toBeNull();
});

/** Caught a planted bug: held between its points, a curve of few told ones said 0 % of day 90. */
test('[HAZ-49] of a curve told after several events nothing is said between its points', () => {
  const told = { until_day: 365, told_every: 5 };
  const curve = traceCurve([point(120, 0.2), point(300, 0.4)], 0, told);

  expect(curve.map(({ day }) => day)).toEqual([0, 120, 300]);
  expect([90, 120, 200, 300, 365].map((day) => pointOn(curve, day, told)?.share)).toEqual([
    undefined,
    0.2,
    undefined,
    0.4,
    undefined,
  ]);
});

test('a curve that begins on day 0, ends on its last day, or is empty gets no corner twice', () => {
  expect(
    traceCurve([point(0, 0.1), point(30, 0.2)], 0, { until_day: 30 }).map(({ day }) => day),
  ).toEqual([0, 30]);
  expect(traceCurve([], 0, { until_day: 30 })).toEqual([
    { day: 0, share: 0, low: 0, high: 0 },
    { day: 30, share: 0, low: 0, high: 0 },
  ]);
});

test('[OC8] low and high have one shape, and a unit that is not judged has its own', () => {
  expect(
    (
      [
        'not-judged',
        'within',
        'near-limit',
        'alert-low',
        'alert-high',
        'alarm-low',
        'alarm-high',
      ] as const
    ).map(shapeOf),
  ).toEqual(['not-judged', 'within', 'near-limit', 'alert', 'alert', 'alarm', 'alarm']);
});

test('[OC8] [HAZ-49] units are drawn in the order given, without a name, and not if held back', () => {
  const unit = (name: string, cases: number | null, of: number | null): FunnelUnit => ({
    unit: name,
    happened: 1,
    cases,
    share: of,
    standing: 'within',
    suppressed: cases === null,
  });

  expect(markUnits([unit('b', 40, 0.1), unit('c', null, null), unit('a', 12, 0.5)])).toEqual([
    { cases: 40, share: 0.1, shape: 'within' },
    { cases: 12, share: 0.5, shape: 'within' },
  ]);
});

/** Caught a planted bug: without `isNew`, a line fell from the signal to the next case. */
test('[OC10] a sum begins anew at 0 after a signal', () => {
  const at = (number: number, value: number, is_signal = false) => ({
    number,
    month: '2026-01',
    value,
    is_signal,
  });
  const corners = traceSum([at(1, 0.6), at(2, 1.2, true), at(3, 0.4)]);

  expect(corners.map(({ run, number, value }) => [run, number, value])).toEqual([
    [0, 0, 0],
    [0, 1, 0.6],
    [0, 2, 1.2],
    [1, 2, 0],
    [1, 3, 0.4],
  ]);
  expect(corners.filter(({ isSignal }) => isSignal).length).toBe(1);
});

test('a month without a case is one of none; one held back stays unknown', () => {
  const month = (name: string, cases: number | null) => ({ month: name, cases, happened: {} });

  expect(markMonths([month('2026-02', null), month('2025-11', 6)])).toEqual([
    { month: '2025-11', cases: 6 },
    { month: '2025-12', cases: 0 },
    { month: '2026-01', cases: 0 },
    { month: '2026-02', cases: null },
  ]);
  expect(markMonths([])).toEqual([]);
});

test('[HAZ-03] adhesive is counted in microlitres and shown in millilitres, coils as they are', () => {
  const amount = (name: string, median: number | null) => ({
    amount: name,
    definition: 'd',
    source: 's',
    cases: 9,
    missing: 0,
    median,
    low: 1,
    high: 4000,
  });

  expect(markAmounts([amount('adhesive_ul', 1500), amount('coils', 3), amount('x', null)])).toEqual(
    [
      { amount: 'adhesive_ul', median: 1.5, low: 0.001, high: 4 },
      { amount: 'coils', median: 3, low: 1, high: 4000 },
    ],
  );
});

/** Caught a planted bug: rounded alone, 1 of 300 was written as 0 %. */
test.each([
  [0, 0],
  [1 / 300, 0.3],
  [1 / 5000, 0.1],
  [0.005, 1],
  [0.125, 13],
  [0.994, 99],
  [299 / 300, 99.7],
  [4999 / 5000, 99.9],
  [1, 100],
])('a share of %d is %d per cent: none and all are said of none and all alone', (of, said) => {
  expect(perCent(of)).toBe(said);
});
