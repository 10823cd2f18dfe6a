/**
 * Passing a gate answers to the vectors; the Python tests check their hashes.
 *
 * Shown to fail: `passes` without its look at the hash of the facts fails here, in the stop and the
 * second person of `procedure.test.ts`, and in `close-out-sign.test.ts`.
 */
import { readFileSync } from 'node:fs';
import { expect, test } from 'vitest';
import type { Facts } from '../clinical-rules/gate-facts';
import { packagedRuleBook, readPackagedRuleFiles } from '../clinical-rules/packaged-rule-files';
import { hashText } from '../clinical-rules/rule-file';
import {
  composeOverride,
  hashInputs,
  type Override,
  OverrideError,
  type Passing,
  passes,
  standingGates,
} from './override';

const BOOK = packagedRuleBook('2026-06-01');

interface Case {
  description: string;
  given: { facts: Facts; cause: string; passing: Passing };
  expect: Partial<Override> & { refused?: string };
}

const file = new URL('../../../tests/conformance/gates/compose_override.json', import.meta.url);
const { cases } = JSON.parse(readFileSync(file, 'utf8')) as { cases: Case[] };

function standing(facts: Facts, cause?: string) {
  const found = standingGates(BOOK, facts).find(({ gate }) => !cause || gate.cause === cause);
  if (found === undefined) throw new Error('no such gate');
  return found;
}

test.each(cases)('$description', ({ given, expect: { refused, ...wanted } }) => {
  const compose = () => composeOverride(standing(given.facts, given.cause), given.passing);
  if (refused !== undefined) {
    expect(compose).toThrowError(OverrideError);
    expect(compose).toThrowError(refused);
    return;
  }
  const rule_sha256 = hashText(readPackagedRuleFiles()['gates/default.v4.json'] ?? '');
  expect(compose()).toEqual({ ...wanted, rule_sha256 });
});

test('[GT15] [GATE-02] what the operation does not say itself is all there', () => {
  const [first] = cases;
  const composed = first && composeOverride(standing(first.given.facts), first.given.passing);
  const { second_person, ...rest } = composed ?? ({} as Override);

  // Nobody was asked for: the part is there and says so.
  expect(second_person).toBeNull();
  expect(Object.values(rest).filter((part) => part === null || part === undefined)).toEqual([]);
});

test('[GT15] an override passes its gate on the same facts, and on no others', () => {
  const passing: Passing = {
    reason: 'team-decision',
    by: 'staff/a',
    secondPerson: null,
    wallMs: 1,
    monotonicMs: 1,
    shownAtMs: 0,
  };
  const at24 = standing({ stop_um: 24_000, measured_distance_um: 23_000 });
  const at25 = standing({ stop_um: 25_000, measured_distance_um: 23_000 });
  const passed = composeOverride(at24, passing);

  expect(passes(passed, at24)).toBe(true);
  expect(passes(passed, at25)).toBe(false);
  expect(passes(null, at24)).toBe(false);
  expect(hashInputs(at24)).not.toBe(hashInputs(at25));
});
