/** Grades of adverse events answer to the vectors that both engines read. */
import { readFileSync } from 'node:fs';
import { expect, test } from 'vitest';
import { FACT_NAMES, GRADES, gradeAdverseEvent } from './adverse-events';
import { CalculationRefusedError, ClinicalRuleError, RuleFileError } from './errors';
import { packagedRuleBook, readPackagedRuleFiles } from './packaged-rule-files';
import { RuleBook } from './rule-book';

interface Case {
  description: string;
  given: { request: unknown };
  expect: Record<string, unknown>;
}

const ON = '2026-11-25';
const book = packagedRuleBook(ON);
const file = new URL(
  '../../../tests/conformance/adverse_events/grade_adverse_event.json',
  import.meta.url,
);
const { cases } = JSON.parse(readFileSync(file, 'utf8')) as { cases: Case[] };

/** All that is expected is found: objects key by key, all else whole (tests/conformance/README.md). */
function expectWithin(expected: unknown, found: unknown): void {
  const isObject = (one: unknown): one is Record<string, unknown> =>
    typeof one === 'object' && one !== null && !Array.isArray(one);
  if (!isObject(expected) || !isObject(found)) {
    expect(found).toEqual(expected);
    return;
  }
  for (const [key, content] of Object.entries(expected)) {
    expect(found).toHaveProperty([key]);
    expectWithin(content, found[key]);
  }
}

test.each(cases)('$description', ({ given, expect: wanted }) => {
  let refused = '';
  let answer: unknown;
  try {
    answer = gradeAdverseEvent(given.request, book);
  } catch (error) {
    if (!(error instanceof ClinicalRuleError)) throw error;
    refused = error.message;
    answer = error instanceof CalculationRefusedError ? error.answer : {};
  }
  if (typeof wanted.refused === 'string') {
    expect(refused).toContain(wanted.refused);
    expectWithin(wanted.answer, answer);
    return;
  }
  expect(refused).toBe('');
  expectWithin(wanted, answer);
});

/** Caught a planted bug: a number left out taken as 0. */
test('[AE1] each fact alone leaves the rest open, all but one leave that one', () => {
  const no: Record<string, unknown> = Object.fromEntries(FACT_NAMES.map((fact) => [fact, false]));
  for (const fact of FACT_NAMES) {
    if (/_(hours|nights|organs)$/.test(fact)) no[fact] = 0;
  }
  no.drugs = 'none';
  expect(gradeAdverseEvent(no, book).missing).toEqual([]);
  for (const fact of FACT_NAMES) {
    const alone = gradeAdverseEvent({ [fact]: no[fact] }, book);
    expect(alone.agree).toMatchObject({ grade: 'none', at_least: true });
    expect(alone.asge).toMatchObject({ grade: 'none', at_least: true });
    expect(alone.missing).not.toContain(fact);
    const { [fact]: _left, ...others } = no;
    // A phone contact raises nothing, and an admission of 0 h has no night.
    const settled = ['phone_contact', 'admission_nights'].includes(fact);
    expect(gradeAdverseEvent(others, book).missing).toEqual(settled ? [] : [fact]);
  }
});

test.each(['agree', 'asge'] as const)('[AE3] a row of %s that gives no clear grade', (scale) => {
  const path = `adverse_events/${scale}.v1.json`;
  const contents = readPackagedRuleFiles();
  const spoil = (fault: Record<string, unknown>) => {
    const read = JSON.parse(contents[path] ?? '');
    read.rows[0] = { ...read.rows[0], ...fault };
    return new RuleBook({ ...contents, [path]: JSON.stringify(read) }, ON);
  };
  const grade = (fault: Record<string, unknown>) => () =>
    gradeAdverseEvent({ death: true }, spoil(fault));

  expect(grade({})).not.toThrow();
  for (const fault of [
    { grade: 'II b' },
    { fact: 'dialysis' },
    { fact: 'toString' },
    { at_least: 1 },
    { is: 1 },
    { fact: 'drugs' },
    { when: 'always' },
  ]) {
    expect(grade(fault), JSON.stringify(fault)).toThrowError(RuleFileError);
    expect(grade(fault)).toThrowError(path);
  }
  expect(grade({ grade: 'II b' })).toThrowError(GRADES[scale].join(', '));
});
