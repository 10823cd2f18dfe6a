/** Asks a rule engine and keeps its refusal as an answer: no screen fails for a person's input. */
import { CalculationRefusedError, ClinicalRuleError } from '../clinical-rules/errors';

export interface Calculated {
  /** What was computed, or what each part lacks; null where the question itself was refused. */
  answer: Readonly<Record<string, unknown>> | null;
  /** One sentence when nothing was computed, else "". */
  sentence: string;
}

export interface RuleFileNamed {
  name: string;
  version: number;
  sha256: string;
}

/** Return what the engine says; a refusal keeps what it says of each part. */
export function calculate(ask: () => object): Calculated {
  try {
    return { answer: ask() as Record<string, unknown>, sentence: '' };
  } catch (error) {
    if (error instanceof CalculationRefusedError) {
      const hasParts = Object.keys(error.answer).length > 0;
      return { answer: hasParts ? error.answer : null, sentence: error.message };
    }
    if (error instanceof ClinicalRuleError) return { answer: null, sentence: error.message };
    throw error;
  }
}

/** Return the part of an answer that is an object, null for anything else. */
export function partOf(
  from: unknown,
  ...names: string[]
): Readonly<Record<string, unknown>> | null {
  let found: unknown = from;
  for (const name of names) {
    if (typeof found !== 'object' || found === null) return null;
    found = (found as Record<string, unknown>)[name];
  }
  return typeof found === 'object' && found !== null && !Array.isArray(found)
    ? (found as Record<string, unknown>)
    : null;
}

/** Return the whole number under a name, null where there is none. */
export function countOf(from: unknown, name: string): number | null {
  const found = partOf(from)?.[name];
  return typeof found === 'number' ? found : null;
}

/** Return the text under a name, "" where there is none. */
export function wordsOf(from: unknown, name: string): string {
  const found = partOf(from)?.[name];
  return typeof found === 'string' ? found : '';
}

/** Return the list of texts under a name. */
export function textsOf(from: unknown, name: string): string[] {
  const found = partOf(from)?.[name];
  return Array.isArray(found) ? found.filter((text) => typeof text === 'string') : [];
}

/** Return the objects in the list under a name. */
export function rowsOf(from: unknown, name: string): Readonly<Record<string, unknown>>[] {
  const found = partOf(from)?.[name];
  return Array.isArray(found) ? found.filter((row) => partOf(row) !== null) : [];
}

/** Return the rule files that an answer names. */
export function ruleFilesOf(answer: unknown): RuleFileNamed[] {
  return rowsOf(answer, 'rule_files').map((row) => ({
    name: wordsOf(row, 'name'),
    version: countOf(row, 'version') ?? 0,
    sha256: wordsOf(row, 'sha256'),
  }));
}

/**
 * Return rule files as one line: "sizing/coil_counts v3, sizing/limits v1".
 *
 * @param names - only these; all of them when left out
 */
export function ruleFilesText(answer: unknown, names?: readonly string[]): string {
  return ruleFilesOf(answer)
    .filter(({ name }) => names === undefined || names.includes(name))
    .map(({ name, version }) => `${name} v${version}`)
    .join(', ');
}
