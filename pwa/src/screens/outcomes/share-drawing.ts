/** Draws shares with their intervals, and how far missing cases could move them. */
import { dot, gridX, line, type PlotOptions, ruleX, text } from '@observablehq/plot';
import type { OutcomeShare } from '../../outcome-answers';
import { markShares } from '../../state/outcome-marks';
import {
  bottomAxis,
  type DrawnWords,
  FONT,
  faint,
  GROUND,
  INK,
  MARK,
  perCents,
  ROW,
} from './drawing-parts';

export function drawShares(
  outcomes: readonly OutcomeShare[],
  words: DrawnWords,
): PlotOptions | null {
  const marks = markShares(outcomes);
  if (marks.length === 0) return null;
  const rows = outcomes.map(({ outcome }) => outcome);
  const y = 'outcome';
  return {
    height: rows.length * ROW + 72,
    marginLeft: 16,
    marginRight: 24,
    marginTop: 8,
    marginBottom: 64,
    x: { domain: [0, 1] },
    y: { type: 'band', domain: rows, axis: null, padding: 0 },
    marks: [
      gridX({ ...faint, ticks: 5 }),
      // Names stand above their line, so that a narrow page leaves the line its whole width.
      text(rows, {
        y: (outcome: string) => outcome,
        text: (outcome: string) => `${words.name(outcome)}: ${words.counts(outcome)}`,
        frameAnchor: 'left',
        dx: 4,
        dy: -12,
        fontSize: FONT,
        fill: INK,
        stroke: GROUND,
        strokeWidth: 6,
      }),
      line(
        marks.flatMap(({ outcome, least, most }) => [
          { outcome, x: least },
          { outcome, x: most },
        ]),
        { x: 'x', y, z: y, dy: 22, stroke: INK, strokeWidth: 3, strokeDasharray: '3 5' },
      ),
      line(
        marks.flatMap(({ outcome, low, high }) => [
          { outcome, x: low },
          { outcome, x: high },
        ]),
        { x: 'x', y, z: y, dy: 12, stroke: MARK, strokeWidth: 4 },
      ),
      dot(marks, { x: 'share', y, dy: 12, r: 7, fill: MARK, stroke: GROUND, strokeWidth: 2 }),
      ruleX([0], { stroke: INK }),
      bottomAxis(words.axes.perCentOfJudged, { ticks: 5, tickFormat: perCents }),
    ],
  };
}
