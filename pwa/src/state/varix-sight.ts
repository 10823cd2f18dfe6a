/** What was seen of a varix, as the Workup screen asks it of the rules. Pure. */
import { classifyVarix, type VarixClass } from '../clinical-rules/varix-class';
import type { RecordState } from '../ports';
import { countOf, partOf, rowsOf, wordsOf } from './calculation';
import { milliText } from './number-entry';
import { isInConflict, numberOf, shown, textOf } from './shown';

/** Whether the varices go on from the oesophagus; "" while nobody has answered. */
export type Continuity = '' | 'yes' | 'no' | 'not-seen';

/** Return the class that what was seen gives, null while too little is answered (VC1-VC3). */
export function proposeClass(continuity: Continuity, sites: readonly string[]): VarixClass | null {
  if (continuity === '' || (continuity !== 'not-seen' && sites.length === 0)) return null;
  return classifyVarix(continuity === 'not-seen' ? null : continuity === 'yes', sites);
}

/**
 * Return the class to ask first-bleed ranges for, null where they are not shown: only in primary
 * prophylaxis, while no past bleed is entered and nothing of it waits for a person (VR5).
 */
export function firstBleedClass(itself: RecordState | null): string | null {
  const fields = ['indication', 'varix_class', 'past_bleeds'];
  if (fields.some((field) => isInConflict(itself, field))) return null;
  const isFirst =
    shown(itself, 'indication') === 'primary-prophylaxis' &&
    (numberOf(itself, 'past_bleeds') ?? 0) === 0;
  const varixClass = textOf(itself, 'varix_class');
  return isFirst && varixClass !== '' ? varixClass : null;
}

export interface ShownRange {
  years: number;
  /** Per cent, as people read it. */
  low: string;
  lowSeries: string;
  high: string;
  highSeries: string;
}

/** Return the ranges of an answer as they stand on screen: per cent, with the series behind. */
export function shownRanges(answer: unknown): ShownRange[] {
  return rowsOf(answer, 'ranges').map((range) => {
    const [lowest, highest] = [partOf(range, 'lowest'), partOf(range, 'highest')];
    return {
      years: countOf(range, 'years') ?? 0,
      low: perCent(lowest),
      lowSeries: wordsOf(lowest, 'series'),
      high: perCent(highest),
      highSeries: wordsOf(highest, 'series'),
    };
  });
}

export interface ShownSeries {
  series: string;
  patients: number;
  cohort: string;
  basis: string;
  source: string;
}

/** Return each series of an answer once, in the order in which they stand. */
export function shownSeries(answer: unknown): ShownSeries[] {
  const ends = rowsOf(answer, 'ranges').flatMap((range) => [range.lowest, range.highest]);
  const shown = ends.map((end) => ({
    series: wordsOf(end, 'series'),
    patients: countOf(end, 'patients') ?? 0,
    cohort: wordsOf(end, 'cohort'),
    basis: wordsOf(end, 'basis'),
    source: wordsOf(end, 'source'),
  }));
  return [...new Map(shown.map((one) => [one.series, one])).values()];
}

function perCent(end: unknown): string {
  return milliText((countOf(end, 'per_mille') ?? 0) * 100);
}
