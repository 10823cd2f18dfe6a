/** The figures that an answer about outcomes is shown as, in the order of the page. Pure. */
import type {
  CaseAmount,
  CompetingRisks,
  Defined,
  OutcomeFunnel,
  OutcomeShare,
  OutcomesAnswer,
  RiskSum,
  SurvivalCurve,
} from '../outcome-answers';

export type Figure =
  | { kind: 'shares'; id: string; outcomes: readonly OutcomeShare[] }
  | { kind: 'sources'; id: string; sources: OutcomesAnswer['sources'] }
  | { kind: 'survival'; id: string; curve: SurvivalCurve }
  | { kind: 'competing'; id: string; risks: CompetingRisks }
  | { kind: 'funnel'; id: string; funnel: OutcomeFunnel }
  | { kind: 'sum'; id: string; sum: RiskSum }
  | { kind: 'months'; id: string; months: OutcomesAnswer['months'] }
  | { kind: 'amounts'; id: string; amounts: readonly CaseAmount[] };
export type FigureKind = Figure['kind'];

/** Return the figures of an answer; of what holds nothing there is none. */
export function listFigures(answer: OutcomesAnswer): Figure[] {
  const { outcomes, sources, survival, competing, funnels, cusums, amounts, months } = answer;
  const figures: Figure[] = [];
  if (outcomes.length > 0) figures.push({ kind: 'shares', id: 'shares', outcomes });
  if (sources.length > 0) figures.push({ kind: 'sources', id: 'sources', sources });
  for (const curve of survival) {
    figures.push({ kind: 'survival', id: `survival-${curve.outcome}`, curve });
  }
  if (competing) figures.push({ kind: 'competing', id: 'competing', risks: competing });
  for (const funnel of funnels) {
    figures.push({ kind: 'funnel', id: `funnel-${funnel.outcome}`, funnel });
  }
  for (const sum of cusums) {
    figures.push({ kind: 'sum', id: `sum-${sum.unit}-${sum.outcome}`, sum });
  }
  if (months.length > 0) figures.push({ kind: 'months', id: 'months', months });
  if (amounts.length > 0) figures.push({ kind: 'amounts', id: 'amounts', amounts });
  return figures;
}

/**
 * Return why a kind of figure is not drawn of cases that were counted; null where it is.
 *
 * A sum needs the true order of treatment, which no hub knows; a funnel needs other units.
 */
export function whyNone(
  answer: OutcomesAnswer,
  kind: OneAtATime,
  desk: 'unit' | 'hub',
): 'noSum' | 'noSumOfUnit' | 'noFunnel' | null {
  const { cases, cusums, funnels } = answer;
  if (cases === 0 || (kind === 'sum' ? cusums : funnels).length > 0) return null;
  if (kind === 'funnel') return 'noFunnel';
  return desk === 'hub' ? 'noSum' : 'noSumOfUnit';
}

/** Of these there may be one for each outcome: one of a kind is shown at a time. */
export const ONE_AT_A_TIME = ['funnel', 'sum'] as const;
export type OneAtATime = (typeof ONE_AT_A_TIME)[number];

/** Return the outcome of a figure of which one is shown at a time, null for any other. */
export function outcomeOf(figure: Figure): string | null {
  if (figure.kind === 'funnel') return figure.funnel.outcome;
  return figure.kind === 'sum' ? figure.sum.outcome : null;
}

/**
 * Return the figures to show: of funnels and sums the chosen one, else the first.
 *
 * @param chosen - outcome of each such kind; one that has no figure any more counts as none
 */
export function showChosen(
  figures: readonly Figure[],
  chosen: Readonly<Record<OneAtATime, string>>,
): Figure[] {
  return figures.filter((figure) => {
    const { kind } = figure;
    if (kind !== 'funnel' && kind !== 'sum') return true;
    const same = figures.filter((one) => one.kind === kind);
    const wanted = same.find((one) => outcomeOf(one) === chosen[kind]) ?? same[0];
    return figure === wanted;
  });
}

/** How many cases a figure cannot tell: from one line of it to another. */
export interface MissingSpan {
  low: number;
  high: number;
  /** Of some lines it is held back. */
  isPart: boolean;
}

/** Return how many are missing, null where all of it is held back. */
export function countMissing(figure: Figure): MissingSpan | null {
  const told = missingOf(figure);
  const counts = told.filter((count) => count !== null);
  if (counts.length === 0) return told.length === 0 ? NONE_MISSING : null;
  const isPart = counts.length < told.length;
  return { low: Math.min(...counts), high: Math.max(...counts), isPart };
}

const NONE_MISSING: MissingSpan = { low: 0, high: 0, isPart: false };

function missingOf(figure: Figure): (number | null)[] {
  switch (figure.kind) {
    case 'shares':
      return figure.outcomes.map(({ missing }) => missing);
    case 'amounts':
      return figure.amounts.map(({ missing }) => missing);
    case 'sources':
      return figure.sources.flatMap(({ source, happened }) =>
        source === 'unknown' ? [happened] : [],
      );
    case 'survival':
      return [figure.curve.missing];
    case 'competing':
      return [figure.risks.missing];
    case 'funnel':
      return [figure.funnel.missing];
    case 'sum':
      return [figure.sum.missing];
    case 'months':
      // A case without a month of treatment is no case yet.
      return [0];
  }
}

/** Return what a figure rests on, once each; none where the screen says it itself. */
export function definitionsOf(figure: Figure): (Defined & { name: string })[] {
  switch (figure.kind) {
    case 'shares':
      return figure.outcomes.map(({ outcome: name, definition, source }) => ({
        name,
        definition,
        source,
      }));
    case 'amounts':
      return figure.amounts.map(({ amount: name, definition, source }) => ({
        name,
        definition,
        source,
      }));
    case 'survival':
      return [defined(figure.curve)];
    case 'competing':
      return [defined(figure.risks)];
    case 'funnel':
      return [defined(figure.funnel)];
    case 'sum':
      return [defined(figure.sum)];
    default:
      return [];
  }
}

const defined = ({ definition, source }: Defined) => ({ name: '', definition, source });
