/** What the gates remark on a number while it is entered, and after. Pure. */
import { ClinicalRuleError, RuleFileError } from '../clinical-rules/errors';
import type { Facts } from '../clinical-rules/gate-facts';
import { exact, over } from '../clinical-rules/measures';
import type { RuleBook } from '../clinical-rules/rule-book';
import { findBands, findValueCautions, type Origin } from '../clinical-rules/value-cautions';
import { milliOf } from './number-entry';
import { standingGates } from './override';

/** What a number field measures, as `measurements/usual_bands` names it. */
export interface Measure {
  quantity: string;
  /** Unit of the rule file, which may be written otherwise on screen. */
  unit: string;
  /** Where the number comes from, where the field knows. */
  origin?: Origin | null;
}

/** One remark on a number, in the words of its row of `gates/default` (SOFT-01 to SOFT-03). */
export interface ValueRemark {
  id: string;
  level: 'caution' | 'note';
  text: string;
}

const NAMELESS = 'This number';

/**
 * Return what the gates are told of a number; a rule file that cannot be read tells no band.
 *
 * @param measure - null: no band is known, tenfold is still said
 * @param unitShown - unit on the pad, for a number without a band
 * @param milli - in thousandths of the unit, and so `beforeMilli`, the value that stood before
 */
export function valueFacts(
  ruleBook: RuleBook,
  measure: Measure | null,
  unitShown: string,
  milli: number,
  beforeMilli: number | null,
): Facts {
  const band = measure === null ? null : findBand(ruleBook, measure);
  const name = band?.name ?? NAMELESS;
  const unit = band?.shown_as ?? unitShown;
  const [least_milli, most_milli] = [milliOf(band?.at_least ?? ''), milliOf(band?.at_most ?? '')];
  return {
    ...(least_milli === null || most_milli === null
      ? {}
      : { values_outside_band: [{ name, unit, milli, least_milli, most_milli }] }),
    ...(beforeMilli === null
      ? {}
      : { tenfold_values: [{ name, unit, milli, last_milli: beforeMilli }] }),
    ...(measure?.origin === 'estimated' ? { estimated_inputs: [name] } : {}),
  };
}

/** Return the remarks on a number. Parameters as for `valueFacts`. */
export function remarksOn(
  ruleBook: RuleBook,
  measure: Measure | null,
  unitShown: string,
  milli: number,
  beforeMilli: number | null,
): ValueRemark[] {
  const facts = valueFacts(ruleBook, measure, unitShown, milli, beforeMilli);
  return [
    ...standingGates(ruleBook, facts).map(({ gate }): ValueRemark => {
      const level = gate.id === 'SOFT-03' ? 'note' : 'caution';
      return { id: gate.id, level, text: gate.text };
    }),
    ...earlierRemarks(ruleBook, measure, milli),
  ];
}

/** No gate speaks of a number from an earlier record; the rule of values does (VA3). */
function earlierRemarks(ruleBook: RuleBook, measure: Measure | null, milli: number): ValueRemark[] {
  if (measure?.origin !== 'earlier-record') return [];
  const { quantity, unit, origin } = measure;
  const amount = over(exact(milli), exact(1000));
  try {
    const found = findValueCautions(quantity, unit, amount, null, origin, ruleBook);
    return found.filter(({ id }) => id === 'SOFT-03');
  } catch (error) {
    if (error instanceof ClinicalRuleError) return [];
    throw error;
  }
}

function findBand(ruleBook: RuleBook, { quantity, unit }: Measure) {
  try {
    const rows = findBands(ruleBook)?.rows ?? [];
    return rows.find((row) => row.quantity === quantity && row.unit === unit) ?? null;
  } catch (error) {
    if (error instanceof RuleFileError) return null;
    throw error;
  }
}
