/**
 * What the steps need of the rule files beside the plan: numbers of the injection, and which lots
 * look alike. Pure.
 */
import { RuleFileError } from '../clinical-rules/errors';
import { type LookAlikes, readLookAlikes, readTraceFile } from '../clinical-rules/lot-names';
import type { RuleBook } from '../clinical-rules/rule-book';
import { rowShape } from '../clinical-rules/rule-file';
import { listOf, text, wholeNumber } from '../clinical-rules/shapes';

export interface InjectionLimits {
  softUl: number;
  secondPersonUl: number;
  aliquotUl: number;
  aliquotMsPerMl: number;
  /** Name and version of the rule file, for the line under a number. */
  basis: string;
}

const readLimit = rowShape({ item: text, amount: wholeNumber });
const readMedia = rowShape({ agent: text, media: listOf(text) });

/** Return the limits in force, null where the unit has none: then no number is shown (HARD-02). */
export function injectionLimits(ruleBook: RuleBook): InjectionLimits | null {
  return orNull(() => {
    const file = ruleBook.ruleFile('sizing/limits', readLimit);
    const amount = (item: string): number => {
      const row = file.rows.find((one) => one.item === item);
      if (row === undefined) throw new RuleFileError(`${file.name} has no row ${item}. Add it.`);
      return row.amount;
    };
    return {
      softUl: amount('soft_limit_ul'),
      secondPersonUl: amount('second_person_ul'),
      aliquotUl: amount('aliquot_ul'),
      aliquotMsPerMl: amount('aliquot_ms_per_ml'),
      basis: `${file.name} v${file.version}`,
    };
  });
}

/** Return the flush media that go with an adhesive, none where the unit's rule names none. */
export function flushMediaOf(ruleBook: RuleBook, agent: string | null): readonly string[] {
  const rows = orNull(() => ruleBook.ruleFile('sizing/flush_media', readMedia).rows);
  return rows?.find((row) => row.agent === agent)?.media ?? [];
}

/** Return how long an amount takes, rounded up: never faster than the rule says. */
export function injectionMs(amountUl: number, limits: InjectionLimits): number {
  return Math.ceil((amountUl * limits.aliquotMsPerMl) / 1_000);
}

export type LimitStanding = 'within' | 'above-soft' | 'second-person';

/**
 * Return where a session stands once a further amount is given.
 *
 * @param givenUl - pure adhesive so far; mix where the pure share is not known
 */
export function limitStanding(
  givenUl: number,
  furtherUl: number,
  limits: InjectionLimits | null,
): LimitStanding {
  if (limits === null) return 'within';
  const total = givenUl + furtherUl;
  if (total > limits.secondPersonUl) return 'second-person';
  return total > limits.softUl ? 'above-soft' : 'within';
}

/** Return which lots look alike; without the rule file they are compared as they are written. */
export function lookAlikesOf(ruleBook: RuleBook): LookAlikes {
  return orNull(() => readLookAlikes(readTraceFile(ruleBook))) ?? new Map();
}

function orNull<T>(read: () => T): T | null {
  try {
    return read();
  } catch (error) {
    if (error instanceof RuleFileError) return null;
    throw error;
  }
}
