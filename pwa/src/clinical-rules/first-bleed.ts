/**
 * How often gastric varices bled first in published series: a range of groups, never one patient.
 * Twin of `first_bleed.py`; the figures stand in `data/varix_risk`, series by series.
 */
import { RuleFileError } from './errors';
import { nameRuleFiles, type RuleBook } from './rule-book';
import { type Basis, pathOf, rowShape } from './rule-file';
import { listOf, oneOf, shape, text, wholeNumber } from './shapes';
import { CLASSES } from './varix-class';

const WHOLE_PER_MILLE = 1000;
const FOLDS: Readonly<Record<number, string>> = {
  2: 'twofold',
  3: 'threefold',
  4: 'fourfold',
  5: 'fivefold',
};

const readRow = rowShape({
  series: text,
  patients: wholeNumber,
  cohort: text,
  classes: listOf(text),
  years: wholeNumber,
  bled_per_mille: wholeNumber,
});
type Row = ReturnType<typeof readRow>;

/** One published share, with the series behind it. */
export interface SeriesFigure {
  per_mille: number;
  series: string;
  patients: number;
  cohort: string;
  basis: Basis | null;
  source: string | null;
}

export interface BleedRange {
  years: number;
  lowest: SeriesFigure;
  highest: SeriesFigure;
}

type RuleFiles = { rule_files: ReturnType<typeof nameRuleFiles> };
export type FirstBleedAnswer =
  | ({ varix_class: string; ranges: BleedRange[]; text: string; inputs: string[] } & RuleFiles)
  | ({ missing: string[] } & RuleFiles)
  | ({ refusal: { kind: string; text: string } } & RuleFiles);

const readRequest = shape({}, { varix_class: oneOf(...CLASSES) });

/**
 * Return the published ranges for the class of a request. Rules VR1-VR4.
 *
 * @param request - parsed JSON with `varix_class`, which may be left out
 * @throws ShapeError when a key or type is wrong, or the class is none
 */
export function answerFirstBleed(request: unknown, ruleBook: RuleBook): FirstBleedAnswer {
  return findFirstBleedRanges(readRequest(request, '').varix_class ?? null, ruleBook);
}

/**
 * Return for each year the lowest and the highest published share, in per mille. Rules VR1-VR4.
 *
 * Sources: Kim 1997, Hepatology 25:307-12; Lee 2008, Korean J Hepatol 14:331-41.
 *
 * @param varixClass - as `classifyVarix` gives it; null while it is not known
 * @throws RuleFileError when no version is in force, or a share lies outside 0 to 1000
 */
export function findFirstBleedRanges(
  varixClass: string | null,
  ruleBook: RuleBook,
): FirstBleedAnswer {
  const figures = ruleBook.ruleFile('varix_risk/first_bleed', readRow);
  for (const [place, row] of figures.rows.entries()) {
    if (row.bled_per_mille < 0 || row.bled_per_mille > WHOLE_PER_MILLE) {
      throw new RuleFileError(
        `Rule file ${pathOf(figures)}: row ${place + 1} has ${row.bled_per_mille} per mille. ` +
          'Correct it to 0 to 1000.',
      );
    }
  }
  const named = { rule_files: nameRuleFiles(figures) };
  if (varixClass === null) return { missing: ['varix_class'], ...named };
  const own = figures.rows.filter((row) => row.classes.includes(varixClass));
  if (own.length === 0) {
    const covered = [...new Set(figures.rows.flatMap((row) => row.classes))].join(', ');
    const words = `No figure for ${varixClass}: ranges are held for ${covered} alone. Judge without.`;
    return { refusal: { kind: 'no-figure', text: words }, ...named };
  }
  const years = [...new Set(own.map((row) => row.years))].sort((one, other) => one - other);
  const inYear = (year: number) => own.filter((row) => row.years === year);
  return {
    varix_class: varixClass,
    ranges: years.map((year) => ({
      years: year,
      lowest: describe(inYear(year).reduce((low, row) => (isBelow(row, low) ? row : low))),
      highest: describe(inYear(year).reduce((high, row) => (isBelow(high, row) ? row : high))),
    })),
    text: sayWhatItIs(inYear(1).map((row) => row.bled_per_mille)),
    inputs: ['varix_class'],
    ...named,
  };
}

function isBelow(one: Row, other: Row): boolean {
  return one.bled_per_mille < other.bled_per_mille;
}

function describe(row: Row): SeriesFigure {
  return {
    per_mille: row.bled_per_mille,
    series: row.series,
    patients: row.patients,
    cohort: row.cohort,
    basis: row.basis ?? null,
    source: row.source ?? null,
  };
}

/** Return the sentence that goes with the ranges: how far the series lie apart (VR3). */
function sayWhatItIs(shares: readonly number[]): string {
  const [least, most] = [Math.min(...shares), Math.max(...shares)];
  const fold = shares.length > 0 && least > 0 ? Math.floor((2 * most + least) / (2 * least)) : 0;
  const words = FOLDS[fold];
  return words === undefined
    ? 'Ranges of groups, not the risk of this patient.'
    : `Published series differ ${words} at one year: ` +
        'ranges of groups, not the risk of this patient.';
}
