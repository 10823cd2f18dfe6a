/** Draws counts: cases by month, bleeds by source, and what one case took. */
import {
  axisX,
  barX,
  barY,
  gridY,
  type PlotOptions,
  ruleX,
  ruleY,
  text,
  tickX,
} from '@observablehq/plot';
import type { CaseAmount, OutcomesAnswer } from '../../outcome-answers';
import { type AmountMark, markAmounts, markMonths } from '../../state/outcome-marks';
import {
  bottomAxis,
  type DrawnWords,
  FONT,
  faint,
  GROUND,
  INK,
  MARK,
  ROW,
  sideAxis,
} from './drawing-parts';

/** Return bleeds by source; what is held back has no bar. */
export function drawSources(
  sources: OutcomesAnswer['sources'],
  words: DrawnWords,
): PlotOptions | null {
  if (sources.length === 0) return null;
  return drawCounts(
    sources.map(({ source, happened }) => ({
      source,
      said: `${words.name(source)}: ${happened ?? words.held}`,
      count: happened ?? 0,
    })),
    words,
  );
}

function drawCounts(
  rows: { source: string; said: string; count: number }[],
  words: DrawnWords,
): PlotOptions {
  const highest = Math.max(4, ...rows.map(({ count }) => count));
  return {
    height: rows.length * ROW + 72,
    marginLeft: 16,
    marginRight: 24,
    marginTop: 8,
    marginBottom: 64,
    x: { domain: [0, highest], nice: true },
    y: { type: 'band', domain: rows.map(({ source }) => source), axis: null, padding: 0 },
    marks: [
      barX(rows, { x: 'count', y: 'source', fill: MARK, insetTop: 30, insetBottom: 10 }),
      text(rows, {
        y: 'source',
        text: 'said',
        frameAnchor: 'left',
        dx: 4,
        dy: -12,
        fontSize: FONT,
        fill: INK,
      }),
      ruleX([0], { stroke: INK }),
      bottomAxis(words.axes.bleeds, { ticks: Math.min(5, highest), tickFormat: String }),
    ],
  };
}

export function drawMonths(
  months: OutcomesAnswer['months'],
  words: DrawnWords,
  width: number,
): PlotOptions | null {
  const marks = markMonths(months);
  if (marks.length === 0) return null;
  const highest = Math.max(4, ...marks.map(({ cases }) => cases ?? 0));
  const every = Math.max(1, Math.ceil((100 * marks.length) / Math.max(1, width - 90)));
  return {
    height: 300,
    marginLeft: 64,
    marginRight: 40,
    marginTop: 36,
    marginBottom: 48,
    x: { type: 'band', domain: marks.map(({ month }) => month), padding: 0.15 },
    y: { domain: [0, highest], nice: true },
    marks: [
      gridY({ ...faint, ticks: 5 }),
      barY(
        marks.filter(({ cases }) => cases !== null && cases > 0),
        { x: 'month', y: 'cases', fill: MARK },
      ),
      // Held back: an empty frame of unknown height, and the words.
      barY(
        marks.filter(({ cases }) => cases === null),
        { x: 'month', y: () => 4, fill: GROUND, stroke: INK, strokeDasharray: '3 3' },
      ),
      ruleY([0], { stroke: INK }),
      bottomAxis('', {
        label: null,
        ticks: marks.filter((_, place) => place % every === 0).map(({ month }) => month),
        tickFormat: words.month,
      }),
      sideAxis(words.axes.cases, { ticks: Math.min(5, highest), tickFormat: String }),
    ],
  };
}

/** Return one short drawing for each amount: they have no scale in common. */
export function drawAmounts(amounts: readonly CaseAmount[], words: DrawnWords): PlotOptions[] {
  return markAmounts(amounts).map((mark) => drawAmount(mark, words));
}

function drawAmount(mark: AmountMark, words: DrawnWords): PlotOptions {
  const most = Math.max(1, mark.high * 1.15);
  // Coils and sessions are counted: between two of them nothing lies.
  const ticks = mark.amount.endsWith('_ul') ? 6 : Math.min(6, Math.ceil(most));
  return {
    height: 104,
    marginLeft: 16,
    marginRight: 24,
    marginTop: 40,
    marginBottom: 32,
    x: { domain: [0, mark.amount.endsWith('_ul') ? most : Math.ceil(most)], nice: true },
    y: { type: 'band', domain: [mark.amount], axis: null, padding: 0 },
    marks: [
      text([mark], {
        frameAnchor: 'top-left',
        text: () => words.name(mark.amount),
        dy: -28,
        fontSize: FONT,
        fill: INK,
      }),
      barX([mark], {
        x1: 'low',
        x2: 'high',
        y: 'amount',
        fill: GROUND,
        stroke: MARK,
        strokeWidth: 3,
        insetTop: 6,
        insetBottom: 6,
      }),
      tickX([mark], { x: 'median', y: 'amount', stroke: MARK, strokeWidth: 7 }),
      ruleX([0], { stroke: INK }),
      axisX({ ticks, tickFormat: words.amount, label: null, fontSize: FONT, color: INK }),
    ],
  };
}
