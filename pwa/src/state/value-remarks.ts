/** What the rules remark on a number while it is being entered. Pure. */
import { ClinicalRuleError } from '../clinical-rules/errors';
import { exact, over } from '../clinical-rules/measures';
import type { RuleBook } from '../clinical-rules/rule-book';
import {
  findValueCautions,
  type Origin,
  type ValueCaution,
} from '../clinical-rules/value-cautions';

/** What a number field measures, as `measurements/usual_bands` names it. */
export interface Measure {
  quantity: string;
  /** Unit of the rule file, which may be written otherwise on screen. */
  unit: string;
  /** Where the number comes from, where the field knows. */
  origin?: Origin | null;
}

const THOUSAND = exact(1000);

/**
 * Return the remarks on a number; a rule file that cannot be read takes no pad away.
 *
 * @param measure - null: no band is known, tenfold is still said
 * @param unitShown - unit on the pad, for a number without measure
 * @param milli - in thousandths of the unit, and so `beforeMilli`, the value that stood before
 */
export function remarksOn(
  ruleBook: RuleBook,
  measure: Measure | null,
  unitShown: string,
  milli: number,
  beforeMilli: number | null,
): ValueCaution[] {
  const ask = (quantity: string | null, unit: string) =>
    findValueCautions(
      quantity,
      unit,
      over(exact(milli), THOUSAND),
      beforeMilli === null ? null : over(exact(beforeMilli), THOUSAND),
      measure?.origin ?? null,
      ruleBook,
    );
  if (measure === null) return ask(null, unitShown);
  try {
    return ask(measure.quantity, measure.unit);
  } catch (error) {
    if (error instanceof ClinicalRuleError) return ask(null, unitShown);
    throw error;
  }
}
