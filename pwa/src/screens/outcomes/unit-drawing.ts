/** Draws units around all cases together, and the sum of one unit case after case. */
import { dot, gridY, line, type PlotOptions, ruleX, ruleY, text } from '@observablehq/plot';
import type { OutcomeFunnel, RiskSum } from '../../outcome-answers';
import { type FunnelShape, markUnits, spreadLabels, traceSum } from '../../state/outcome-marks';
import {
  bottomAxis,
  type DrawnWords,
  FAINT,
  FONT,
  faint,
  GROUND,
  INK,
  MARK,
  OTHER,
  perCents,
  sideAxis,
} from './drawing-parts';

const UNIT_LOOKS: Readonly<Record<FunnelShape, object>> = {
  'not-judged': { symbol: 'circle', r: 6, fill: GROUND, stroke: INK, strokeWidth: 2 },
  within: { symbol: 'circle', r: 6, fill: MARK, stroke: GROUND },
  'near-limit': { symbol: 'diamond', r: 8, fill: GROUND, stroke: MARK, strokeWidth: 3 },
  alert: { symbol: 'diamond', r: 8, fill: MARK, stroke: GROUND },
  alarm: { symbol: 'square', r: 8, fill: MARK, stroke: INK, strokeWidth: 2 },
};

/** Of a funnel, in pixels: the whole picture, and what stands above and below the frame. */
const HEIGHT = 420;
const ABOVE = 36;
const BELOW = 64;

export function drawFunnel(funnel: OutcomeFunnel, words: DrawnWords): PlotOptions | null {
  const units = markUnits(funnel.units);
  if (units.length === 0) return null;
  const { limits } = funnel;
  const highest = Math.max(
    funnel.overall,
    ...units.map(({ share }) => share),
    ...limits.filter(({ cases }) => cases >= 10).map(({ high998 }) => high998),
  );
  const last = limits.at(-1);
  // A little beyond the largest unit: at the very edge its mark would cover the words of the limits.
  const most = Math.max(...units.map(({ cases }) => cases), last?.cases ?? 0) * 1.04;
  const top = Math.min(1, Math.max(0.1, highest * 1.1));
  const limit = (y: 'low95' | 'high95' | 'low998' | 'high998') =>
    line(limits, {
      x: 'cases',
      y,
      clip: true,
      stroke: INK,
      strokeWidth: 2,
      strokeDasharray: y.endsWith('998') ? '3 5' : '12 5',
    });
  const overall = `${Math.round(funnel.overall * 100)} %`;
  const ends = [
    { y: funnel.overall, said: overall },
    ...(last
      ? [
          { y: last.high95, said: '95 %' },
          { y: last.high998, said: '99.8 %' },
        ]
      : []),
  ].map(({ y, said }) => ({ y: Math.min(y, top), said }));
  const inner = HEIGHT - ABOVE - BELOW;
  const heights = ends.map(({ y }) => (1 - y / top) * inner);
  // Where a rate is low its limits end near each other: their labels stand apart all the same.
  const apart = spreadLabels(heights, FONT + 3);
  const atEnd = (y: number, said: string, dy: number) =>
    text([said], {
      x: () => most,
      y: () => y,
      text: (written: string) => written,
      textAnchor: 'start',
      dx: 6,
      dy,
      fontSize: FONT,
      fill: INK,
    });
  return {
    height: HEIGHT,
    marginLeft: 64,
    marginRight: 66,
    marginTop: ABOVE,
    marginBottom: BELOW,
    x: { domain: [0, most] },
    y: { domain: [0, top] },
    marks: [
      gridY({ ...faint, ticks: 5 }),
      // Left of ten cases nothing is judged.
      ruleX([10], { stroke: FAINT, strokeWidth: 2 }),
      ruleY([funnel.overall], { stroke: INK, strokeWidth: 2 }),
      limit('low998'),
      limit('low95'),
      limit('high95'),
      limit('high998'),
      ...ends.map(({ y, said }, place) =>
        atEnd(y, said, (apart[place] ?? 0) - (heights[place] ?? 0)),
      ),
      ...(['not-judged', 'within', 'near-limit', 'alert', 'alarm'] as const).map((shape) =>
        dot(
          units.filter((unit) => unit.shape === shape),
          { x: 'cases', y: 'share', ...UNIT_LOOKS[shape] },
        ),
      ),
      ruleY([0], { stroke: INK }),
      bottomAxis(words.axes.unitCases, { ticks: 6, tickFormat: String }),
      sideAxis(words.axes.perCentOfJudged, { ticks: 5, tickFormat: perCents }),
    ],
  };
}

export function drawSum(sum: RiskSum, words: DrawnWords): PlotOptions | null {
  const corners = traceSum(sum.points);
  if (corners.length === 0) return null;
  const top = Math.max(sum.limit * 1.15, ...corners.map(({ value }) => value * 1.05));
  const most = Math.max(...corners.map(({ number }) => number));
  return {
    height: 340,
    marginLeft: 64,
    marginRight: 26,
    marginTop: 36,
    marginBottom: 64,
    x: { domain: [0, most] },
    y: { domain: [0, top] },
    marks: [
      gridY({ ...faint, ticks: 5 }),
      ruleY([sum.limit], { stroke: OTHER, strokeWidth: 3, strokeDasharray: '12 5' }),
      line(corners, {
        x: 'number',
        y: 'value',
        z: 'run',
        curve: 'step-before',
        stroke: MARK,
        strokeWidth: 3,
      }),
      dot(
        corners.filter(({ isSignal }) => isSignal),
        { x: 'number', y: 'value', symbol: 'triangle', r: 9, fill: OTHER, stroke: GROUND },
      ),
      ruleY([0], { stroke: INK }),
      bottomAxis(words.axes.number, { ticks: Math.min(8, most), tickFormat: String }),
      sideAxis(words.axes.sum, { ticks: 5, tickFormat: String }),
    ],
  };
}
