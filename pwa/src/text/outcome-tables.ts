/** The table behind each figure of outcomes: what a reader who sees no picture gets. */
import type { CurvePoint, OutcomeShare, SurvivalCurve, UnitCount } from '../outcome-answers';
import type { Figure } from '../state/outcome-figures';
import { markAmounts, markMonths, pointOn, traceCurve, whyNotDrawn } from '../state/outcome-marks';
import {
  amountWords,
  causeOf,
  intervalWords,
  monthWords,
  nameOf,
  outcomes,
  percentWords,
  standingWords,
} from './outcomes';
import { say } from './say';

export interface FigureTable {
  columns: string[];
  /** The first cell of each row names it. */
  rows: string[][];
}

const columns = outcomes.columns;
/** Return a count as it is told: held back where it is of fewer than five. */
const counted = (count: number | null) => (count === null ? outcomes.held : String(count));

/**
 * Return the table of a figure.
 *
 * @param unitName - of a unit; units stand by name, never by result
 */
export function tableOf(figure: Figure, unitName: (unit: string) => string): FigureTable {
  switch (figure.kind) {
    case 'shares':
      return tableShares(figure.outcomes, unitName);
    case 'sources':
      return {
        columns: [columns.source, columns.bleeds],
        rows: figure.sources.map(({ source, happened }) => [nameOf(source), counted(happened)]),
      };
    case 'survival': {
      const { curve } = figure;
      return {
        columns: [columns.day, columns.share, columns.band, columns.watched],
        rows: curveRows(traceCurve(curve.points, 1, curve), curve),
      };
    }
    case 'competing': {
      const { risks } = figure;
      return {
        columns: [columns.cause, columns.day, columns.share, columns.band, columns.watched],
        rows: risks.causes.flatMap(({ cause, points }) =>
          curveRows(traceCurve(points, 0, risks), risks).map((row) => [causeOf(cause), ...row]),
        ),
      };
    }
    case 'funnel':
      return tableFunnel(figure.funnel, unitName);
    case 'sum':
      return {
        columns: [columns.number, columns.month, columns.value, columns.signal],
        rows: figure.sum.points.map(({ number, month, value, is_signal }) => [
          String(number),
          monthWords(month),
          amountWords(value),
          is_signal ? outcomes.reached : outcomes.below,
        ]),
      };
    case 'months': {
      const shown = [...new Set(figure.months.flatMap(({ happened }) => Object.keys(happened)))];
      const told = new Map(figure.months.map(({ month, happened }) => [month, happened]));
      return {
        columns: [columns.month, columns.cases, ...shown.map(nameOf)],
        rows: markMonths(figure.months).map(({ month, cases }) => [
          monthWords(month),
          counted(cases),
          ...shown.map((outcome) => {
            const happened = told.get(month)?.[outcome];
            return happened === undefined ? '0' : counted(happened);
          }),
        ]),
      };
    }
    case 'amounts':
      return {
        columns: [columns.amount, columns.median, columns.half, columns.cases, columns.missing],
        rows: figure.amounts.map((one) => {
          const [mark] = markAmounts([one]);
          const half = mark ? `${amountWords(mark.low)} - ${amountWords(mark.high)}` : '';
          const median = mark ? amountWords(mark.median) : outcomes.nobody;
          return [nameOf(one.amount), median, half, counted(one.cases), counted(one.missing)];
        }),
      };
  }
}

function tableShares(
  shares: readonly OutcomeShare[],
  unitName: (unit: string) => string,
): FigureTable {
  const hasUnits = shares.some(({ by_unit }) => by_unit.length > 1);
  const hasLater = shares.some(({ not_due }) => not_due !== undefined);
  const { outcome, unit, happened, judged, missing, not_due, share, interval } = columns;
  const rowOf = (name: string, who: string, one: UnitCount | OutcomeShare, isWindows: boolean) => [
    name,
    ...(hasUnits ? [who] : []),
    ...(isWindows ? windowCells(one) : [one.happened, one.judged, one.missing].map(counted)),
    ...(hasLater ? [isWindows ? '' : counted(one.not_due ?? null)] : []),
    shareCell(one),
    'low' in one ? intervalWords(one.low, one.high) : '',
  ];
  return {
    columns: [
      ...[outcome, ...(hasUnits ? [unit] : []), happened, judged, missing],
      ...(hasLater ? [not_due] : []),
      ...[share, interval],
    ],
    rows: shares.flatMap((one) => [
      rowOf(nameOf(one.outcome), outcomes.allUnits, one, one.counted === 'windows'),
      ...(hasUnits ? byName(one.by_unit, unitName) : []).map((part) =>
        rowOf(nameOf(one.outcome), unitName(part.unit), part, one.counted === 'windows'),
      ),
    ]),
  };
}

/** Return counts with what they count: windows, and cases that have none. */
function windowCells({ happened, judged, missing }: Omit<UnitCount, 'unit' | 'suppressed'>) {
  const windows = [happened, judged].map((count) =>
    count === null ? outcomes.held : say('outcomes.inWindows', { count }),
  );
  return [
    ...windows,
    missing === null ? outcomes.held : say('outcomes.inCases', { count: missing }),
  ];
}

function shareCell({ happened, judged }: Pick<UnitCount, 'happened' | 'judged'>): string {
  if (happened === null || judged === null) return outcomes.held;
  return judged === 0 ? outcomes.nobody : percentWords(happened / judged);
}

function tableFunnel(
  funnel: Extract<Figure, { kind: 'funnel' }>['funnel'],
  unitName: (unit: string) => string,
): FigureTable {
  const { unit, happened, cases, share, standing, limits95, limits998 } = columns;
  const isDrawn = whyNotDrawn(funnel) === null;
  const limits = new Map(isDrawn ? funnel.limits.map((one) => [one.cases, one]) : []);
  return {
    columns: [unit, happened, cases, share, limits95, limits998, standing],
    rows: byName(funnel.units, unitName).map((one) => {
      const held = one.cases === null ? undefined : limits.get(one.cases);
      return [
        unitName(one.unit),
        counted(one.happened),
        counted(one.cases),
        one.share === null ? outcomes.held : percentWords(one.share),
        held ? intervalWords(held.low95, held.high95) : '',
        held ? intervalWords(held.low998, held.high998) : '',
        one.share === null || !isDrawn ? '' : standingWords(one.standing),
      ];
    }),
  };
}

/** Each corner of a curve and each round day, with who was still watched on the round ones. */
function curveRows(
  curve: readonly CurvePoint[],
  told: Pick<SurvivalCurve, 'until_day' | 'told_every' | 'at_risk'>,
): string[][] {
  const watched = new Map(told.at_risk.map(({ day, cases }) => [day, cases]));
  // Between two points of several events the share is held back; it is no gap in the records.
  const noShare = (told.told_every ?? 1) > 1 ? outcomes.betweenPoints : outcomes.notKnown;
  const days = [...new Set([...curve.map(({ day }) => day), ...watched.keys()])];
  return days
    .sort((one, other) => one - other)
    .map((day) => {
      const point = pointOn(curve, day, told);
      const still = watched.get(day);
      return [
        String(day),
        point ? percentWords(point.share) : noShare,
        point ? intervalWords(point.low, point.high) : '',
        still === undefined ? '' : counted(still),
      ];
    });
}

function byName<Of extends { unit: string }>(
  units: readonly Of[],
  unitName: (unit: string) => string,
): Of[] {
  return [...units].sort((one, other) =>
    unitName(one.unit).localeCompare(unitName(other.unit), 'en'),
  );
}
