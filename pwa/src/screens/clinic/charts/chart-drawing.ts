/**
 * Draws a chart of the clinic as SVG. Loaded only where a chart is shown: it brings its library.
 *
 * The page's content security policy forbids style sheets within it. The library puts one into
 * each drawing; it is taken out before the drawing enters the page, and `ChartFigure` styles it.
 */
import {
  axisX,
  axisY,
  barY,
  gridY,
  plot,
  ruleX,
  ruleY,
  stackY,
  text,
  tickY,
} from '@observablehq/plot';
import type { ClinicChart } from '../../../state/clinic-charts';
import { plainDrawing } from '../../plain-drawing';

export interface DrawnWords {
  weekAxis: string;
  countAxis: string;
  thisWeek: string;
  /** A Monday in few words. */
  week: (mondayOn: string) => string;
}

/** What a part of a chart is filled with: it differs in lightness, and one of two is hollow. */
export const FILLS: Readonly<Record<string, { fill: string; stroke: string }>> = {
  due: { fill: 'var(--notice)', stroke: 'var(--notice)' },
  overdue: { fill: 'var(--panel)', stroke: 'var(--danger)' },
  within: { fill: 'var(--notice)', stroke: 'var(--notice)' },
  outside: { fill: 'var(--panel)', stroke: 'var(--caution)' },
  booked: { fill: 'var(--notice)', stroke: 'var(--notice)' },
  notBooked: { fill: 'var(--panel)', stroke: 'var(--notice)' },
  capacity: { fill: 'none', stroke: 'var(--text)' },
};

const LEFT = 56;
/** Half of the words below the last week may stand out of its band. */
const RIGHT = 32;
/** A tick with its words wants so much room, in pixels. */
const TICK_ROOM = 92;

/**
 * Return the drawing of a chart.
 *
 * @param width - pixels
 * @param nowOn - Monday of the week of today, marked where it is drawn
 */
export function drawChart(
  chart: ClinicChart,
  words: DrawnWords,
  width: number,
  nowOn: string,
): Element {
  const { weeks } = chart;
  const room = Math.max(1, width - LEFT - RIGHT);
  const every = Math.max(1, Math.ceil((TICK_ROOM * weeks.length) / room));
  const now = weeks.indexOf(nowOn);
  const from = now < 0 ? 0 : now % every;
  const ticks = weeks.filter((_, place) => place % every === from);
  // What may stand in two weeks at once is drawn side by side, all else is stacked.
  const isBeside = chart.id === 'due';
  const half = room / weeks.length / 2;
  const highest = Math.max(
    4,
    ...chart.places.map(({ count }) => count),
    ...weeks.map((week) =>
      chart.bars
        .filter(({ mondayOn }) => mondayOn === week)
        .reduce((sum, { count }) => (isBeside ? Math.max(sum, count) : sum + count), 0),
    ),
  );
  const bars = isBeside
    ? chart.series.map((series, place) =>
        barY(
          chart.bars.filter((bar) => bar.series === series && bar.count > 0),
          {
            x: 'mondayOn',
            y: 'count',
            ...FILLS[series],
            strokeWidth: 2,
            insetLeft: place === 0 ? 2 : half,
            insetRight: place === 0 ? half : 2,
          },
        ),
      )
    : [
        barY(
          chart.bars.filter(({ count }) => count > 0),
          stackY({
            x: 'mondayOn',
            y: 'count',
            order: chart.series,
            z: 'series',
            fill: (bar: { series: string }) => FILLS[bar.series]?.fill ?? 'none',
            stroke: (bar: { series: string }) => FILLS[bar.series]?.stroke ?? 'none',
            strokeWidth: 2,
            insetLeft: 2,
            insetRight: 2,
          }),
        ),
      ];
  const drawn = plot({
    width,
    height: 300,
    marginLeft: LEFT,
    marginRight: RIGHT,
    marginTop: 32,
    marginBottom: 64,
    x: { type: 'band', domain: weeks, padding: 0 },
    y: { domain: [0, highest], nice: true },
    // Fills are colours already, no values to be turned into some.
    color: { type: 'identity' },
    marks: [
      gridY({ stroke: 'var(--line)', strokeOpacity: 0.5, interval: 1, ticks: 5 }),
      ...(now < 0
        ? []
        : [ruleX([nowOn], { stroke: 'var(--text)', strokeDasharray: '4 4', insetTop: -6 })]),
      ...bars,
      // Places are a flat line over each week, no bar: they are no visits.
      tickY(chart.places, { x: 'mondayOn', y: 'count', stroke: 'var(--text)', strokeWidth: 4 }),
      // At either edge the words would run out of the drawing, and the title says it.
      ...(now > 0 && now < weeks.length - 1
        ? [
            text([nowOn], {
              x: (on: string) => on,
              text: () => words.thisWeek,
              frameAnchor: 'top',
              dy: -18,
              fontSize: 16,
              fill: 'var(--text)',
            }),
          ]
        : []),
      ruleY([0], { stroke: 'var(--text)' }),
      axisX({
        ticks,
        tickFormat: words.week,
        label: words.weekAxis,
        labelAnchor: 'center',
        labelArrow: 'none',
        labelOffset: 52,
        fontSize: 16,
        color: 'var(--text)',
      }),
      axisY({
        label: words.countAxis,
        labelArrow: 'none',
        tickFormat: String,
        ticks: Math.min(5, highest),
        fontSize: 16,
        color: 'var(--text)',
      }),
    ],
  });
  return plainDrawing(drawn);
}
