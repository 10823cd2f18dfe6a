/** What of a unit's own records is to be mended, by whom, and how full the fields are. Pure. */
import type { MonthOfField, OwnQuality, OwnQualityRule, RecordToMend } from '../quality-answers';

const RANK: Readonly<Record<OwnQualityRule['severity'], number>> = { stop: 0, caution: 1, note: 2 };

/** A rule that found something, with the records to mend as they were told. */
export interface BrokenRule extends OwnQualityRule {
  records: readonly RecordToMend[];
}

/**
 * Return the rules that found something, what matters most first.
 *
 * @param fixer - of whom; "" for everybody
 */
export function brokenRules({ rules, to_mend }: OwnQuality, fixer: string): BrokenRule[] {
  return rules
    .filter((one) => one.found > 0 && (fixer === '' || one.fixer === fixer))
    .map((one) => ({ ...one, records: to_mend.filter(({ rule }) => rule === one.rule) }))
    .sort((one, other) => RANK[one.severity] - RANK[other.severity]);
}

/** Return the rules that were asked and found nothing. */
export function cleanRules({ rules }: OwnQuality): OwnQualityRule[] {
  return rules.filter(({ found }) => found === 0);
}

/** Return who has something to mend and how much, in the order of the rules. */
export function countByFixer({ rules }: OwnQuality): Map<string, number> {
  const counts = new Map<string, number>();
  for (const { fixer, found } of rules) {
    if (found > 0) counts.set(fixer, (counts.get(fixer) ?? 0) + found);
  }
  return counts;
}

export interface FieldFilled {
  field: string;
  filled: number;
  disagreed: number;
  of: number;
  /** The same for the last months alone. */
  lately: { filled: number; of: number };
}

/** So many of the last months are told apart. */
export const LATELY = 3;

/** Return how full each field is, the emptiest first; one that no case should have is left out. */
export function fieldsFilled(completeness: readonly MonthOfField[]): FieldFilled[] {
  const months = [...new Set(completeness.map(({ month }) => month))].sort().slice(-LATELY);
  const fields = new Map<string, FieldFilled>();
  for (const { month, field, filled, disagreed, of } of completeness) {
    const sum = fields.get(field) ?? {
      field,
      filled: 0,
      disagreed: 0,
      of: 0,
      lately: { filled: 0, of: 0 },
    };
    sum.filled += filled;
    sum.disagreed += disagreed;
    sum.of += of;
    if (months.includes(month)) {
      sum.lately.filled += filled;
      sum.lately.of += of;
    }
    fields.set(field, sum);
  }
  return [...fields.values()]
    .filter(({ of }) => of > 0)
    .sort((one, other) => one.filled / one.of - other.filled / other.of);
}
