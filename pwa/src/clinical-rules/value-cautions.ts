/**
 * Soft remarks on a number as entered: outside the usual band, tenfold, not measured.
 * Twin of `value_cautions.py`.
 *
 * Nothing here refuses a number; what no calculator can use is refused there. The bands stand in
 * `data/measurements`.
 */
import { readDecimal } from './bands';
import { RuleFileError, ShapeError } from './errors';
import { type Exact, exact, times, writeDigits, ZERO } from './measures';
import { nameRuleFiles, type RuleBook } from './rule-book';
import { type Basis, pathOf, type RuleFile, rowShape } from './rule-file';
import { number, oneOf, type Reader, shape, text } from './shapes';

export const USUAL_BANDS = 'measurements/usual_bands';
const TEN = exact(10);
const MOST_DECIMALS = 6;
const KEYS = ['quantity', 'unit', 'amount', 'last', 'origin'] as const;
/** Where a number may come from. */
export const ORIGINS = ['measured', 'estimated', 'earlier-record', 'measured-on-image'] as const;
export type Origin = (typeof ORIGINS)[number];
/** Of the remarks that no row of a rule file carries. */
const OWN = { basis: 'unit-setting', source: 'project default, no source' } as const;

const readBandRow = rowShape({
  quantity: text,
  name: text,
  unit: text,
  shown_as: text,
  at_least: text,
  at_most: text,
});
type BandRow = ReturnType<typeof readBandRow>;

const decimal: Reader<Exact> = (content, where) => {
  const read = number(content, where);
  const isTiny = read !== 0 && Math.abs(read) < 10 ** -MOST_DECIMALS;
  if (isTiny || (exact(read) * 10n ** BigInt(MOST_DECIMALS)) % exact(1) !== 0n) {
    throw new ShapeError(`${where} must have at most ${MOST_DECIMALS} decimals. Round it.`);
  }
  return exact(read);
};
const readRequest = shape(
  { unit: text, amount: decimal },
  { quantity: text, last: decimal, origin: oneOf(...ORIGINS) },
);

export interface ValueCaution {
  id: 'SOFT-01' | 'SOFT-02' | 'SOFT-03';
  level: 'caution' | 'note';
  text: string;
  basis: Basis | null;
  source: string | null;
}

export interface ValueCautionsAnswer {
  cautions: ValueCaution[];
  inputs: string[];
  rule_files: ReturnType<typeof nameRuleFiles>;
}

/**
 * Return the remarks on one number. Rules VA1-VA6.
 *
 * @param request - parsed JSON: `unit` and `amount`, and if known `quantity`, `last` (the value
 * before, in the same unit) and `origin`
 * @throws ShapeError for a wrong key or type, or a quantity without a band in this unit
 */
export function answerValueCautions(request: unknown, ruleBook: RuleBook): ValueCautionsAnswer {
  const read = readRequest(request, '');
  return {
    cautions: findValueCautions(
      read.quantity ?? null,
      read.unit,
      read.amount,
      read.last ?? null,
      read.origin ?? null,
      ruleBook,
    ),
    inputs: KEYS.filter((key) => read[key] !== undefined),
    rule_files: read.quantity === undefined ? [] : nameUsualBands(ruleBook),
  };
}

/**
 * Return the remarks on a number, each with id, level, text, basis and source. Rules VA1-VA6.
 *
 * @param quantity - name in `measurements/usual_bands`; null: no band to compare with
 * @param unit - unit of `amount` and `last`
 * @param last - the value that stood before, null where there was none
 * @param origin - where the number comes from, null where nobody said
 * @throws ShapeError when the quantity has no band in this unit; RuleFileError when a band is no
 * pair of decimal numbers, the lower one first
 */
export function findValueCautions(
  quantity: string | null,
  unit: string,
  amount: Exact,
  last: Exact | null,
  origin: Origin | null,
  ruleBook: RuleBook,
): ValueCaution[] {
  const row = quantity === null ? null : findRow(quantity, unit, ruleBook);
  const shown = row?.shown_as ?? unit;
  const entered = `${row?.name ?? 'This number'} ${withUnit(writeDigits(amount), shown)}`;
  const found: ValueCaution[] = [];
  if (row !== null && (amount < exact(row.at_least) || amount > exact(row.at_most))) {
    const band = withUnit(`${row.at_least} to ${row.at_most}`, shown);
    const words = `${entered} is outside the usual ${band}. Check number and unit.`;
    found.push({
      id: 'SOFT-01',
      level: 'caution',
      text: words,
      basis: row.basis ?? null,
      source: row.source ?? null,
    });
  }
  if (last !== null && last > ZERO) {
    const before = withUnit(writeDigits(last), shown);
    const isMore = amount >= times(last, TEN);
    const words = isMore
      ? `${entered} is ten times the last ${before} or more. Check the decimal point.`
      : `${entered} is a tenth of the last ${before} or less. Check the decimal point.`;
    if (isMore || times(amount, TEN) <= last) {
      found.push({ id: 'SOFT-02', level: 'caution', text: words, ...OWN });
    }
  }
  if (origin === 'estimated') {
    const words = `${entered} is estimated, not measured. Measure it before you rely on it.`;
    found.push({ id: 'SOFT-03', level: 'note', text: words, ...OWN });
  } else if (origin === 'earlier-record') {
    const words = `${entered} is from an earlier record. Measure again before you rely on it.`;
    found.push({ id: 'SOFT-03', level: 'note', text: words, ...OWN });
  }
  return found;
}

/** Return the rule file of the bands as an answer names it; none while it is not in force. */
export function nameUsualBands(ruleBook: RuleBook): ReturnType<typeof nameRuleFiles> {
  const bands = findBands(ruleBook);
  return bands === null ? [] : nameRuleFiles(bands);
}

/** Return the usual bands; a remark is no number of ours: null while nobody has approved them. */
export function findBands(ruleBook: RuleBook): RuleFile<BandRow> | null {
  return ruleBook.has(USUAL_BANDS) ? ruleBook.ruleFile(USUAL_BANDS, readBandRow) : null;
}

function findRow(quantity: string, unit: string, ruleBook: RuleBook): BandRow | null {
  const bands = findBands(ruleBook);
  if (bands === null) return null;
  const own = bands.rows.filter((row) => row.quantity === quantity);
  if (own.length === 0) {
    throw new ShapeError(
      `There is no usual band of ${quantity}. Correct its name, or leave quantity out.`,
    );
  }
  const row = own.find((one) => one.unit === unit);
  if (row === undefined) {
    const units = own.map((one) => one.unit).join(', ');
    throw new ShapeError(`There is no usual band of ${quantity} in ${unit}. Take one of ${units}.`);
  }
  const path = pathOf(bands);
  if (readDecimal(row.at_least, path) > readDecimal(row.at_most, path)) {
    throw new RuleFileError(
      `Rule file ${path}: the band of ${quantity} in ${unit} begins above its end. Correct it.`,
    );
  }
  return row;
}

function withUnit(words: string, unit: string): string {
  return unit === '' ? words : `${words} ${unit}`;
}
