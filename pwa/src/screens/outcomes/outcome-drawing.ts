/**
 * Draws a figure of outcomes as SVG. Loaded only where one is shown: it brings its library. Shapes,
 * dashes and words tell everything apart; colour only repeats them.
 */
import type { PlotOptions } from '@observablehq/plot';
import type { Figure } from '../../state/outcome-figures';
import { traceCurve } from '../../state/outcome-marks';
import { drawAmounts, drawMonths, drawSources } from './count-drawing';
import { drawCurves } from './curve-drawing';
import { type DrawnWords, drawPlain } from './drawing-parts';
import { drawShares } from './share-drawing';
import { drawFunnel, drawSum } from './unit-drawing';

/** Return the drawings of a figure, none where it holds no mark. `width` is in pixels. */
export function drawFigure(figure: Figure, words: DrawnWords, width: number): Element[] {
  return optionsOf(figure, words, width).flatMap((options) =>
    options === null ? [] : [drawPlain(options, width)],
  );
}

function optionsOf(figure: Figure, words: DrawnWords, width: number): (PlotOptions | null)[] {
  switch (figure.kind) {
    case 'shares':
      return [drawShares(figure.outcomes, words)];
    case 'sources':
      return [drawSources(figure.sources, words)];
    case 'survival': {
      const { curve } = figure;
      const points = traceCurve(curve.points, 1, curve);
      return [drawCurves([{ points, words: '' }], curve, words, width)];
    }
    case 'competing': {
      const { risks } = figure;
      const curves = risks.causes.map(({ cause, points }) => ({
        points: traceCurve(points, 0, risks),
        words: words.cause(cause),
      }));
      return [drawCurves(curves, risks, words, width)];
    }
    case 'funnel':
      return [drawFunnel(figure.funnel, words)];
    case 'sum':
      return [drawSum(figure.sum, words)];
    case 'months':
      return [drawMonths(figure.months, words, width)];
    case 'amounts':
      return drawAmounts(figure.amounts, words);
  }
}
