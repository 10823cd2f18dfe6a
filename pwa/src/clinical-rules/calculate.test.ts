/** The shared vectors of `calculate`; the Python twin runs the same files in `tests/unit/api`. */
import { readFileSync } from 'node:fs';
import { describe, expect, test } from 'vitest';
import { calculate } from './calculate';
import { CalculationRefusedError } from './errors';
import { packagedRuleBook } from './packaged-rule-files';

interface Case {
  description: string;
  given: { kind: string; request: unknown };
  expect: Record<string, unknown>;
}

const ruleBook = packagedRuleBook('2026-11-25');

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

function answerOf(kind: string, request: unknown) {
  try {
    return { refused: null, answer: calculate(kind, request, ruleBook) };
  } catch (error) {
    if (!(error instanceof CalculationRefusedError)) throw error;
    return { refused: error.message, answer: error.answer };
  }
}

for (const path of [
  'liver_scores/answer_liver_scores.json',
  'antithrombotic_holds/answer_antithrombotic_holds.json',
  'device_label/answer_device_label.json',
]) {
  const file = new URL(`../../../tests/conformance/${path}`, import.meta.url);
  const { cases } = JSON.parse(readFileSync(file, 'utf8')) as { cases: Case[] };
  describe(path, () => {
    test('holds cases', () => expect(cases.length).toBeGreaterThan(0));
    for (const { description, given, expect: expected } of cases) {
      test(description, () => {
        const { refused, answer } = answerOf(given.kind, given.request);
        if ('refused' in expected) {
          expect(refused).toContain(expected.refused);
          expectWithin(expected.answer, answer);
          return;
        }
        expect(refused).toBeNull();
        if ('first' in expected) {
          expectWithin(expected.first, (answer as { holds: unknown[] }).holds[0]);
        } else expectWithin(expected, answer);
      });
    }
  });
}

test('an unknown kind is refused, also one that every object has', () => {
  expect(() => calculate('dosing', {}, ruleBook)).toThrow('There is no calculation dosing.');
  expect(() => calculate('toString', {}, ruleBook)).toThrow('There is no calculation toString.');
});

test.each([null, [], 'text', 5])('%j is no request', (request) => {
  expect(() => calculate('liver-scores', request, ruleBook)).toThrow('must be one JSON object');
});

test('[LS8] a refusal carries the whole answer', () => {
  const { refused, answer } = answerOf('liver-scores', {});
  expect(refused).toContain('No score can be calculated');
  expect(answer).toMatchObject({ albi: { missing: ['bilirubin', 'albumin'] } });
});

test('the request is left as it was', () => {
  const request = Object.freeze({
    bilirubin: Object.freeze({ value: 10, unit: 'umol/L' }),
    albumin: Object.freeze({ value: 40, unit: 'g/L' }),
    inr: null,
  });
  expect(calculate('liver-scores', request, ruleBook)).toMatchObject({ albi: { grade: 1 } });
});
