/**
 * What a request for liver scores gives: read strictly, converted exactly, refused by name.
 * Twin of `liver_inputs.py`.
 */
import { readDecimal } from './bands';
import { RuleFileError } from './errors';
import { convertLab, type PairedLab, UNIT_PAIRS } from './lab-units';
import type { LiverRules } from './liver-rules';
import { type Exact, exact, writeDigits } from './measures';
import type { RuleBook } from './rule-book';
import { pathOf } from './rule-file';
import { flag, number, oneOf, shape, wholeNumber } from './shapes';
import { findValueCautions, type ValueCaution } from './value-cautions';

const measured = (...units: string[]) => shape({ value: number, unit: oneOf(...units) });

/** Reads the keys of `liver-scores`, all of them optional. */
export const readRequest = shape(
  {},
  {
    bilirubin: measured('mg/dL', 'umol/L'),
    albumin: measured('g/dL', 'g/L'),
    creatinine: measured('mg/dL', 'umol/L'),
    urea: measured('mmol/L', 'mg/dL'),
    haemoglobin: measured('g/L', 'g/dL'),
    inr: number,
    sodium_mmol_l: number,
    ascites: oneOf('none', 'mild', 'moderate-severe'),
    encephalopathy: oneOf('none', 'grade1-2', 'grade3-4'),
    dialysis: flag,
    sex: oneOf('female', 'male'),
    age_years: wholeNumber,
    weight_kg: number,
    systolic_mmhg: number,
    heart_rate_bpm: number,
    melaena: flag,
    syncope: flag,
    hepatic_disease: flag,
    cardiac_failure: flag,
    altered_mental_status: flag,
  },
);

/** The keys that a request may give, typed. */
export type LiverRequest = ReturnType<typeof readRequest>;

const MEASURED = ['bilirubin', 'albumin', 'creatinine', 'urea', 'haemoglobin'] as const;
const NUMBERS = [
  'inr',
  'sodium_mmol_l',
  'age_years',
  'weight_kg',
  'systolic_mmhg',
  'heart_rate_bpm',
] as const;
const WORDS = ['ascites', 'encephalopathy', 'sex'] as const;
const FLAGS = [
  'melaena',
  'syncope',
  'hepatic_disease',
  'cardiac_failure',
  'altered_mental_status',
] as const;

/** Name and unit under which the usual bands hold the inputs that carry their unit in their name. */
const USUAL = {
  inr: ['inr', 'ratio'],
  sodium_mmol_l: ['sodium', 'mmol/L'],
  age_years: ['age', 'years'],
  weight_kg: ['weight', 'kg'],
  systolic_mmhg: ['systolic', 'mmHg'],
  heart_rate_bpm: ['pulse', '/min'],
} as const;

export interface Refusal {
  readonly kind: string;
  readonly text: string;
}

/** What a request gives: amounts in the units of the rules, words, and what is refused. */
export class GivenInputs {
  readonly onDialysis: boolean;
  readonly refusals = new Map<string, Refusal>();
  readonly amounts = new Map<string, Exact>();
  readonly words = new Map<string, string>();

  constructor(onDialysis: boolean) {
    this.onDialysis = onDialysis;
  }

  /** Say whether the input was given and lies within its range. */
  has(name: string): boolean {
    return this.amounts.has(name) || this.words.has(name);
  }

  /** Return an amount that `has` has confirmed. */
  amount(name: string): Exact {
    const amount = this.amounts.get(name);
    if (amount === undefined) throw new RangeError(`${name} was not given`);
    return amount;
  }

  /** Return a word that `has` has confirmed. */
  word(name: string): string {
    const word = this.words.get(name);
    if (word === undefined) throw new RangeError(`${name} was not given`);
    return word;
  }
}

/** Return the inputs in the units of the rules, and a refusal for each out of its range (LS1, LS3). */
export function takeInputs(read: LiverRequest, rules: LiverRules): GivenInputs {
  const given = new GivenInputs(read.dialysis ?? false);
  for (const name of MEASURED) {
    const entry = read[name];
    if (entry === undefined) continue;
    const amount = exact(entry.value);
    const refusal = refuseOutside(name, amount, entry.unit, rules);
    if (refusal) given.refusals.set(name, refusal);
    else convert(given, name, amount, entry.unit, rules);
  }
  for (const name of NUMBERS) {
    const entry = read[name];
    if (entry === undefined) continue;
    const amount = exact(entry);
    const refusal = refuseOutside(name, amount, null, rules);
    if (refusal) given.refusals.set(name, refusal);
    else given.amounts.set(name, amount);
  }
  for (const name of WORDS) {
    const word = read[name];
    if (word !== undefined) given.words.set(name, word);
  }
  for (const name of FLAGS) {
    const isTrue = read[name];
    if (isTrue !== undefined) given.words.set(name, isTrue ? 'yes' : 'no');
  }
  return given;
}

/**
 * Return a caution for each input within its range but outside its usual band (LS13); each names
 * its input last.
 */
export function warnOfInputs(
  read: LiverRequest,
  given: GivenInputs,
  ruleBook: RuleBook,
): (ValueCaution & { input: string })[] {
  const entered: [string, string, string, number][] = [];
  for (const name of MEASURED) {
    const entry = read[name];
    if (entry !== undefined) entered.push([name, name, entry.unit, entry.value]);
  }
  for (const name of NUMBERS) {
    const entry = read[name];
    if (entry !== undefined) entered.push([name, ...USUAL[name], entry]);
  }
  return entered
    .filter(([input]) => !given.refusals.has(input))
    .flatMap(([input, quantity, unit, amount]) =>
      findValueCautions(quantity, unit, exact(amount), null, null, ruleBook).map((caution) => ({
        ...caution,
        input,
      })),
    );
}

function refuseOutside(
  name: string,
  amount: Exact,
  unit: string | null,
  { ranges }: LiverRules,
): Refusal | null {
  const row = ranges.rows.find((one) => one.input === name && (unit === null || unit === one.unit));
  if (row === undefined) {
    const ofUnit = unit === null ? '' : ` in ${unit}`;
    throw new RuleFileError(
      `Rule file ${pathOf(ranges)} has no range of ${name}${ofUnit}. Add the row.`,
    );
  }
  const least = readDecimal(row.at_least, pathOf(ranges));
  const most = readDecimal(row.at_most, pathOf(ranges));
  if (least <= amount && amount <= most) return null;
  const unitText = row.unit ? ` ${row.unit}` : '';
  return {
    kind: 'out-of-range',
    text:
      `${name} ${writeDigits(amount)}${unitText} lies outside ${row.at_least} to ${row.at_most}. ` +
      'Check the number and its unit.',
  };
}

/** Keep an amount under its own name in the unit of the bands, and in the other one (LS1). */
function convert(
  given: GivenInputs,
  name: PairedLab,
  amount: Exact,
  unit: string,
  rules: LiverRules,
): void {
  const [smaller, larger] = UNIT_PAIRS[name];
  const other = convertLab(name, amount, unit, rules);
  given.amounts.set(name, unit === smaller ? amount : other);
  const inLarger = `${name}_${larger.toLowerCase().replace('/', '_')}`;
  given.amounts.set(inLarger, unit === smaller ? other : amount);
}
