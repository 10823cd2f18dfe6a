/**
 * The two units in which laboratories tell one amount: converted exactly, and told side by side.
 * Twin of `api/clinical_rules/lab_units.py`.
 */
import { ClinicalRuleError } from './errors';
import { LiverRules } from './liver-rules';
import { type Exact, exact, over, roundHalfUp, times, writeDigits } from './measures';
import type { RuleBook } from './rule-book';

const SHOWN_PLACES = 2;

/** Two units, and the coefficient that says how many of the smaller make one of the larger. */
export const UNIT_PAIRS = {
  bilirubin: ['umol/L', 'mg/dL', 'bilirubin_umol_l_per_mg_dl'],
  creatinine: ['umol/L', 'mg/dL', 'creatinine_umol_l_per_mg_dl'],
  urea: ['mg/dL', 'mmol/L', 'urea_mg_dl_per_mmol_l'],
  albumin: ['g/L', 'g/dL', 'albumin_g_l_per_g_dl'],
  haemoglobin: ['g/L', 'g/dL', 'haemoglobin_g_l_per_g_dl'],
} as const;
export type PairedLab = keyof typeof UNIT_PAIRS;

/** Return an amount given in one unit of its pair in the other one (LS1). */
export function convertLab(name: PairedLab, amount: Exact, unit: string, rules: LiverRules): Exact {
  const [smaller, , per] = UNIT_PAIRS[name];
  const factor = rules.factor('units', per);
  return unit === smaller ? over(amount, factor) : times(amount, factor);
}

/**
 * Return digits and unit of an amount in the other unit, to be read and never calculated with; null
 * where laboratories use one unit alone. At most two decimals, a half away from zero.
 *
 * Whoever is used to the other unit would else take 2 for 2 mg/dL where 2 umol/L stands (HAZ-51).
 * Urea is left out: in mg/dL some tell urea and others its nitrogen, less than half as much.
 */
export function tellInOtherUnit(
  name: string,
  amount: Exact,
  unit: string,
  rules: LiverRules,
): [digits: string, unit: string] | null {
  if (!Object.hasOwn(UNIT_PAIRS, name) || name === 'urea') return null;
  const paired = name as PairedLab;
  const [smaller, larger] = UNIT_PAIRS[paired];
  if (unit !== smaller && unit !== larger) return null;
  const told = roundHalfUp(convertLab(paired, amount, unit, rules), SHOWN_PLACES);
  return [writeDigits(exact(told)), unit === smaller ? larger : smaller];
}

/** Return the same of an amount in thousandths; null as well where the rule files do not read. */
export function tellLabAlso(
  name: string,
  milli: number,
  unit: string,
  book: RuleBook,
): [digits: string, unit: string] | null {
  try {
    return tellInOtherUnit(name, over(exact(milli), exact(1000)), unit, new LiverRules(book));
  } catch (error) {
    if (error instanceof ClinicalRuleError) return null;
    throw error;
  }
}
