/**
 * Whether a case lies within the stated use: inside it numbers are given, outside it is recorded.
 * Twin of `intended_use.py`.
 *
 * What people did is recorded whatever this says (GATE-00).
 */
import { RuleFileError, ShapeError } from './errors';
import { nameRuleFiles, type RuleBook } from './rule-book';
import { type Basis, pathOf, type RuleFile, rowShape } from './rule-file';
import { civilDate, listOf, oneOf, type Reader, shape, text, wholeNumber } from './shapes';

export const INTENDED_USE = 'intended_use/default';
/** In the order of the answer; each names the key of the request that it judges. */
const JUDGED = { varix_class: 'varix_class', adhesive: 'adhesive', age_years: 'born_on' } as const;
export type UseFact = keyof typeof JUDGED;
const FACTS = Object.keys(JUDGED) as UseFact[];
const OLDEST = 120;

const listed: Reader<readonly string[]> = (content, where) => {
  const words = listOf(text)(content, where);
  if (words.length === 0) throw new ShapeError(`${where} has no entry. Give it at least one.`);
  return words;
};
const years: Reader<number> = (content, where) => {
  const found = wholeNumber(content, where);
  if (found < 1 || found > OLDEST) {
    throw new ShapeError(`${where} is ${found}. Give it a number from 1 to ${OLDEST}.`);
  }
  return found;
};
/** What one fact of a case has to be: one of some words, or a number of years at least. */
const readUseRow = rowShape({ fact: oneOf(...FACTS) }, { one_of: listed, at_least: years });
type UseRow = ReturnType<typeof readUseRow>;

const readRequest = shape(
  { on: civilDate },
  { varix_class: listOf(text), adhesive: listOf(text), born_on: listOf(civilDate) },
);

export interface IntendedUseAnswer {
  use: 'within' | 'record-only';
  outside: { fact: UseFact; basis: Basis | null; source: string | null }[];
  missing: string[];
  inputs: string[];
  rule_files: ReturnType<typeof nameRuleFiles>;
}

/**
 * Return whether a case is within the stated use, and which facts of it are not. Rules IU1-IU6.
 *
 * @param request - parsed JSON: `on`, the day of the procedure; optional `varix_class`, `adhesive`
 * and `born_on`, each a list of every value that stands, several where answers differ
 * @param ruleBook - holds `intended_use/default`, which counts also while nobody has approved it
 * @throws ShapeError when a key or type is wrong, or a date is none; RuleFileError when the file
 * lacks a row, has one twice, or one with the wrong test
 */
export function answerIntendedUse(request: unknown, ruleBook: RuleBook): IntendedUseAnswer {
  const read = readRequest(request, '');
  const stated = ruleBook.ruleFileOrListed(INTENDED_USE, readUseRow);
  const rows = rowsByFact(stated);
  const valuesOf = (fact: UseFact): readonly string[] => read[JUDGED[fact]] ?? [];
  const outside = rows.flatMap((row) =>
    valuesOf(row.fact).every((value) => isWithin(row, value, read.on))
      ? []
      : [{ fact: row.fact, basis: row.basis ?? null, source: row.source ?? null }],
  );
  const isGiven = (fact: UseFact) => valuesOf(fact).length > 0;
  return {
    use: outside.length > 0 ? 'record-only' : 'within',
    outside,
    missing: FACTS.filter((fact) => !isGiven(fact)).map((fact) => JUDGED[fact]),
    inputs: ['on', ...FACTS.filter(isGiven).map((fact) => JUDGED[fact])],
    rule_files: nameRuleFiles(stated),
  };
}

/** Return the age in completed years; negative for a day before the birth (IU2). */
export function countYears(bornOn: string, on: string): number {
  const hasPassed = on.slice(4) >= bornOn.slice(4);
  return Number(on.slice(0, 4)) - Number(bornOn.slice(0, 4)) - (hasPassed ? 0 : 1);
}

function isWithin(row: UseRow, value: string, on: string): boolean {
  if (row.one_of !== undefined) return row.one_of.includes(value);
  return row.at_least !== undefined && countYears(value, on) >= row.at_least;
}

/** Return the rows in the order of the facts; every fact has one, with the test that fits (IU5). */
function rowsByFact(stated: RuleFile<UseRow>): UseRow[] {
  const path = pathOf(stated);
  for (const fact of FACTS) {
    const count = stated.rows.filter((row) => row.fact === fact).length;
    if (count !== 1) {
      throw new RuleFileError(
        `Rule file ${path} has ${count} rows for ${fact}. Give it exactly one.`,
      );
    }
  }
  for (const [place, row] of stated.rows.entries()) {
    const wanted = row.fact === 'age_years' ? 'at_least' : 'one_of';
    const held = (['one_of', 'at_least'] as const).filter((key) => row[key] !== undefined);
    if (held.length !== 1 || held[0] !== wanted) {
      throw new RuleFileError(
        `Rule file ${path}: row ${place + 1} needs \`${wanted}\` alone. Correct it.`,
      );
    }
  }
  return FACTS.flatMap((fact) => stated.rows.filter((row) => row.fact === fact));
}
