/** Where the marks of the figures of outcomes stand, from what a server has counted. Pure. */
import type {
  CaseAmount,
  CurvePoint,
  FunnelUnit,
  OutcomeFunnel,
  OutcomeShare,
  OutcomesAnswer,
  RiskSum,
  Standing,
  SurvivalCurve,
} from '../outcome-answers';

/** One share; `least` and `most` are what it would be had no, or every, missing case had it. */
export interface ShareMark {
  outcome: string;
  happened: number;
  judged: number;
  missing: number;
  share: number;
  low: number;
  high: number;
  least: number;
  most: number;
}

/** Return the marks of shares that can be drawn, in the order of the answer. */
export function markShares(outcomes: readonly OutcomeShare[]): ShareMark[] {
  return outcomes.flatMap(({ outcome, happened, judged, missing, low, high, counted }) => {
    if (happened === null || judged === null || missing === null || judged < 1) return [];
    if (low === null || high === null) return [];
    // Cases without a window are no windows that could have been kept.
    const open = counted === 'windows' ? 0 : missing;
    const all = judged + open;
    const share = happened / judged;
    const [least, most] = [happened / all, (happened + open) / all];
    return [{ outcome, happened, judged, missing, share, low, high, least, most }];
  });
}

/** How a curve is told: to which day, and after how many events each of its points. */
export type Told = Pick<SurvivalCurve, 'until_day' | 'told_every'>;

/**
 * Return a curve from day 0 to the last day anybody was watched, which holds between its days.
 *
 * One of which a point is told only after several events ends with the last one told: between two
 * of its points, and after the last, the share is not known.
 *
 * @param start - the share on day 0: 1 where it falls, 0 where it rises
 */
export function traceCurve(
  points: readonly CurvePoint[],
  start: 0 | 1,
  { until_day: untilDay, told_every: every = 1 }: Told,
): CurvePoint[] {
  const traced: CurvePoint[] = [];
  if (points[0]?.day !== 0) traced.push({ day: 0, share: start, low: start, high: start });
  traced.push(...points);
  const last = traced.at(-1);
  if (every === 1 && last !== undefined && last.day < untilDay)
    traced.push({ ...last, day: untilDay });
  return traced;
}

/** Return the point of a curve that holds on a day; null before its first, or where none is known. */
export function pointOn(
  curve: readonly CurvePoint[],
  day: number,
  { told_every: every = 1 }: Partial<Told> = {},
): CurvePoint | null {
  const known =
    every === 1
      ? (point: CurvePoint) => point.day <= day
      : (point: CurvePoint) => point.day === day;
  return curve.findLast(known) ?? null;
}

/** How a unit is drawn: the shape says what the limits say of it. */
export type FunnelShape = 'not-judged' | 'within' | 'near-limit' | 'alert' | 'alarm';

/** Return the shape of a standing: low and high of one limit look alike, nothing is ranked. */
export function shapeOf(standing: Standing): FunnelShape {
  if (standing === 'not-judged' || standing === 'within' || standing === 'near-limit') {
    return standing;
  }
  return standing.startsWith('alarm') ? 'alarm' : 'alert';
}

export interface FunnelMark {
  cases: number;
  share: number;
  shape: FunnelShape;
}

/** Return the units that can be drawn, without their names. */
export function markUnits(units: readonly FunnelUnit[]): FunnelMark[] {
  return units.flatMap(({ cases, share, standing }) =>
    cases === null || share === null ? [] : [{ cases, share, shape: shapeOf(standing) }],
  );
}

/** Return how many units are drawn in each shape. */
export function countShapes(funnel: OutcomeFunnel): Record<FunnelShape, number> {
  const counts = { 'not-judged': 0, within: 0, 'near-limit': 0, alert: 0, alarm: 0 };
  for (const { shape } of markUnits(funnel.units)) counts[shape] += 1;
  return counts;
}

/**
 * Return why a funnel has no picture: too few cases everywhere to hold a unit against limits, or a
 * rate around which there are none, since it happened to nobody or to all. Null where it has one.
 */
export function whyNotDrawn(funnel: OutcomeFunnel): 'few' | 'flat' | null {
  if (funnel.overall <= 0 || funnel.overall >= 1) return 'flat';
  const { 'not-judged': unjudged, ...judged } = countShapes(funnel);
  return Object.values(judged).every((count) => count === 0) ? 'few' : null;
}

/** Return heights at which labels of one edge stand apart, in the order of the labels they are of. */
export function spreadLabels(heights: readonly number[], least: number): number[] {
  const order = heights.map((_, place) => place).sort((a, b) => at(heights, a) - at(heights, b));
  const spread = [...heights];
  // Downwards from the highest, then all of them back by half of what the last one was moved.
  for (const [place, label] of order.entries()) {
    const above = order[place - 1];
    if (above !== undefined) spread[label] = Math.max(at(spread, label), at(spread, above) + least);
  }
  const last = order.at(-1);
  const moved = last === undefined ? 0 : at(spread, last) - at(heights, last);
  return spread.map((height) => height - moved / 2);
}

const at = (heights: readonly number[], place: number) => heights[place] ?? 0;

/** One corner of a sum; corners of one run are joined, and a run ends with its signal. */
export interface SumMark {
  run: number;
  number: number;
  value: number;
  isSignal: boolean;
}

/** Return the corners of a sum: each run begins at 0, before its first case. */
export function traceSum(points: RiskSum['points']): SumMark[] {
  const traced: SumMark[] = [];
  let [run, isNew] = [0, true];
  let before = 0;
  for (const { number, value, is_signal: isSignal } of points) {
    if (isNew) traced.push({ run, number: before, value: 0, isSignal: false });
    traced.push({ run, number, value, isSignal });
    isNew = isSignal;
    if (isSignal) run += 1;
    before = number;
  }
  return traced;
}

export interface MonthMark {
  month: string;
  /** Null where it is held back. */
  cases: number | null;
}

/** Return every month from the first to the last that was told; one without a case has none. */
export function markMonths(months: OutcomesAnswer['months']): MonthMark[] {
  const told = new Map(months.map(({ month, cases }) => [month, cases]));
  const sorted = [...told.keys()].sort();
  const [first, last] = [sorted[0], sorted.at(-1)];
  const marks: MonthMark[] = [];
  if (first === undefined || last === undefined) return marks;
  let [year = 0, number = 0] = first.split('-').map(Number);
  for (let month = first; month <= last; ) {
    const cases = told.get(month);
    marks.push({ month, cases: cases === undefined ? 0 : cases });
    number += 1;
    if (number > 12) [year, number] = [year + 1, 1];
    month = `${year}-${String(number).padStart(2, '0')}`;
  }
  return marks;
}

export interface AmountMark {
  amount: string;
  median: number;
  low: number;
  high: number;
}

const UL_PER_ML = 1000;

/** Return the amounts that can be drawn; adhesive is in millilitres from here on. */
export function markAmounts(amounts: readonly CaseAmount[]): AmountMark[] {
  return amounts.flatMap(({ amount, median, low, high }) => {
    if (median === null || low === null || high === null) return [];
    const by = amount.endsWith('_ul') ? UL_PER_ML : 1;
    return [{ amount, median: median / by, low: low / by, high: high / by }];
  });
}

/** Return the share as a whole per cent; one that is neither none nor all is never written so. */
export function perCent(share: number): number {
  const whole = Math.round(share * 100);
  if (share > 0 && whole === 0) return Math.round(share * 1000) / 10 || 0.1;
  if (share < 1 && whole === 100) return Math.min(Math.round(share * 1000) / 10, 99.9);
  return whole;
}
