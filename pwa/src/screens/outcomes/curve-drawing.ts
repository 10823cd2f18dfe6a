/** Draws shares over time with their bands, and below the days how many were still watched. */
import { areaY, dot, gridY, line, type PlotOptions, ruleX, ruleY, text } from '@observablehq/plot';
import type { AtRisk, CurvePoint } from '../../outcome-answers';
import type { Told } from '../../state/outcome-marks';
import {
  bottomAxis,
  type DrawnWords,
  FONT,
  faint,
  GROUND,
  INK,
  MARK,
  OTHER,
  perCents,
  sideAxis,
} from './drawing-parts';

/** How curves are told, and how many were watched until when; none of it where it is held back. */
export interface Watched extends Told {
  at_risk: readonly AtRisk[];
}

/** Curves differ by their dashes and the shape at their end, beside which their name stands. */
const CURVE_LOOKS = [
  { stroke: MARK, strokeDasharray: 'none', symbol: 'circle' },
  { stroke: OTHER, strokeDasharray: '10 5', symbol: 'triangle' },
] as const;

export function drawCurves(
  curves: { points: CurvePoint[]; words: string }[],
  { until_day: until, told_every: told = 1, at_risk: atRisk }: Watched,
  words: DrawnWords,
  width: number,
): PlotOptions | null {
  if (until <= 0) return null;
  const room = Math.max(2, Math.floor((width - 90) / 84));
  const every = Math.ceil(atRisk.length / room);
  const days = atRisk.filter((_, place) => place % Math.max(1, every) === 0);
  const highest = Math.max(
    ...curves.flatMap(({ points }) => points.map(({ share, high }) => high ?? share)),
  );
  const lowest = Math.min(...curves.map(({ points }) => points.at(-1)?.share ?? 0));
  // What rises is drawn against its own height, what falls from all to none.
  const top = curves.length === 1 ? 1 : Math.min(1, Math.max(0.1, highest * 1.15));
  return {
    height: 430,
    marginLeft: 64,
    marginRight: 26,
    marginTop: 36,
    marginBottom: 118,
    x: { domain: [0, until] },
    y: { domain: [0, top] },
    marks: [
      gridY({ ...faint, ticks: 5 }),
      ...curves.flatMap(({ points, words: name }, place) => {
        const { stroke, strokeDasharray, symbol } =
          CURVE_LOOKS[place % CURVE_LOOKS.length] ?? CURVE_LOOKS[0];
        const bands = points.map(({ day, share, low, high }) => ({
          day,
          low: low ?? Number.NaN,
          high: high ?? Number.NaN,
          share,
        }));
        const step = { x: 'day', curve: 'step-after' } as const;
        const thin = { stroke, strokeWidth: 1.5, strokeDasharray: '2 3' };
        const last = points.at(-1);
        return [
          // Between two points of several events nothing is known but that it lies between them.
          ...(told > 1
            ? [
                line(points, { x: 'day', y: 'share', ...thin }),
                ruleX(bands.slice(1), { x: 'day', y1: 'low', y2: 'high', stroke, strokeWidth: 4 }),
                dot(points, { x: 'day', y: 'share', symbol, r: 6, fill: stroke, stroke: GROUND }),
              ]
            : [
                areaY(bands, { ...step, y1: 'low', y2: 'high', fill: stroke, fillOpacity: 0.09 }),
                line(bands, { ...step, ...thin, y: 'low' }),
                line(bands, { ...step, ...thin, y: 'high' }),
                line(points, { ...step, y: 'share', stroke, strokeWidth: 3, strokeDasharray }),
              ]),
          ...(name === '' || last === undefined
            ? []
            : [
                dot([last], { x: 'day', y: 'share', symbol, r: 6, fill: stroke }),
                text([last], {
                  x: 'day',
                  y: 'share',
                  text: () => name,
                  textAnchor: 'end',
                  dx: -12,
                  // Names of curves that end near each other stand apart.
                  dy: last.share > lowest || curves.length === 1 ? -14 : 18,
                  fontSize: FONT,
                  fill: INK,
                  stroke: GROUND,
                  strokeWidth: 5,
                }),
              ]),
        ];
      }),
      ruleY([0], { stroke: INK }),
      bottomAxis(words.axes.days, {
        ticks: days.length > 0 ? days.map(({ day }) => day) : 5,
        tickFormat: String,
      }),
      sideAxis(words.axes.perCent, { ticks: 5, tickFormat: perCents }),
      text(days.length > 0 ? [words.axes.watched] : [], {
        text: (said: string) => said,
        frameAnchor: 'bottom-left',
        dx: -56,
        dy: 84,
        textAnchor: 'start',
        fontSize: FONT,
        fill: INK,
      }),
      text(days, {
        x: 'day',
        frameAnchor: 'bottom',
        text: ({ cases }: { cases: number | null }) => (cases === null ? '\u2013' : String(cases)),
        dy: 108,
        fontSize: FONT,
        fontWeight: 700,
        fill: INK,
      }),
    ],
  };
}
