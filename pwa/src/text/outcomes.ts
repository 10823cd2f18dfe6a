/** Every sentence of the figures of outcomes: names, what is seen in each, what is missing. */
import type { Standing } from '../outcome-answers';
import { countMissing, type Figure, type MissingSpan } from '../state/outcome-figures';
import { perCent, shapeOf } from '../state/outcome-marks';
import { dateWords, monthName } from './dates';
import { fieldWords, valueWords } from './record';
import { lookUp, say, withMore, words } from './say';

const said = words('outcomes');
const NAMES = lookUp(said.names);
const AMOUNTS = lookUp(said.amounts);
const BLEEDS = lookUp(said.bleeds);
const CAUSES = lookUp(said.causes);
const MIXES = lookUp(said.mixes);
const BANDS = lookUp(said.bands);

export const outcomes = withMore(said, {
  counted: (cases: number | null, span: string, when: string) =>
    cases === null
      ? say('outcomes.countedFew', { span, when })
      : say('outcomes.counted', { cases, span, when }),
  span: (from: string, until: string): string => {
    if (from === '' && until === '') return said.span.all;
    if (until === '') return say('outcomes.span.from', { from });
    if (from === '') return say('outcomes.span.until', { until });
    return say('outcomes.span.between', { from, until });
  },
  cautions: lookUp(said.cautions),
  source: (source: string) => say('outcomes.source', { source }),
  tableOf: (title: string) => say('outcomes.tableOf', { title }),
});

/** Return the name of an outcome, an amount or a source; its id where the catalogue has none. */
export function nameOf(id: string): string {
  return NAMES[id] ?? AMOUNTS[id] ?? BLEEDS[id] ?? id;
}

export function causeOf(cause: string): string {
  return CAUSES[cause] ?? cause;
}

/** Return the name of a field of the case mix. */
export function mixFieldOf(field: string): string {
  return MIXES[field] ?? fieldWords(field, field === 'sex' ? 'patient' : 'case');
}

/** Return what a field of the case mix holds, in words. */
export function mixValueOf(field: string, value: string): string {
  if (value === '') return said.notRecorded;
  const isOurs = field === 'technique' || field.endsWith('_band');
  const known = isOurs ? BANDS[value] : undefined;
  return known ?? valueWords(value, field, field === 'sex' ? 'patient' : 'case');
}

/** Return the title of a figure. */
export function titleOf(figure: Figure, unitName: (unit: string) => string): string {
  switch (figure.kind) {
    case 'survival':
      return say('outcomes.titles.survival', { name: nameOf(figure.curve.outcome) });
    case 'funnel':
      return say('outcomes.titles.funnel', { name: nameOf(figure.funnel.outcome) });
    case 'sum': {
      const { outcome, unit } = figure.sum;
      return say('outcomes.titles.sum', { name: nameOf(outcome), unit: unitName(unit) });
    }
    default:
      return said.titles[figure.kind];
  }
}

/** Return the caution that stands at every figure (CAU-10). */
export function cautionOf(figure: Figure): string {
  return say('outcomes.caution', { missing: missingWords(countMissing(figure)) });
}

function missingWords(span: MissingSpan | null): string {
  if (span === null) return said.missingHeld;
  const { low, high, isPart } = span;
  const known =
    low === high
      ? say('outcomes.missingCases', { count: high })
      : say('outcomes.missingSpan', { low, high });
  return isPart ? say('outcomes.missingSome', { known }) : known;
}

export function percentWords(share: number): string {
  return say('outcomes.percent', { share: perCent(share) });
}

/** Return an interval in per cent; "" where there is none. */
export function intervalWords(low: number | null, high: number | null): string {
  if (low === null || high === null) return '';
  return say('outcomes.interval', { low: perCent(low), high: perCent(high) });
}

/** Return what the limits say of a unit. */
export function standingWords(standing: Standing): string {
  return said.keys[shapeOf(standing)];
}

/** Return `May 2026` for `2026-05`. */
export function monthWords(month: string): string {
  const [year = '', number = ''] = month.split('-');
  return dateWords.monthYear(monthName(Number(number)), Number(year));
}

/** Return an amount with at most two decimals. */
export function amountWords(amount: number): string {
  return String(Math.round(amount * 100) / 100);
}
