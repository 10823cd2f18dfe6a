/** Gates answer to the vectors that both engines read. */
import { readFileSync } from 'node:fs';
import { expect, test } from 'vitest';
import { RuleFileError, ShapeError } from './errors';
import { findGates, GATES } from './gates';
import { packagedRuleBook, readPackagedRuleFiles } from './packaged-rule-files';
import { RuleBook } from './rule-book';
import { hashText, pathOf } from './rule-file';
import { followProtocol, NO_ROUND, readProtocol } from './step-protocol';

const ON = '2026-06-01';
const BOOK = packagedRuleBook(ON);

interface Case {
  description: string;
  given: object;
  expect: { gates?: object[]; refused?: string };
}

const file = new URL('../../../tests/conformance/gates/find_gates.json', import.meta.url);
const { cases } = JSON.parse(readFileSync(file, 'utf8')) as { cases: Case[] };

test.each(cases)('$description', ({ given, expect: wanted }) => {
  if (wanted.refused !== undefined) {
    expect(() => findGates(given, BOOK)).toThrowError(ShapeError);
    expect(() => findGates(given, BOOK)).toThrowError(wanted.refused);
    return;
  }
  const { gates } = findGates(given, BOOK);
  expect(gates).toMatchObject(wanted.gates ?? []);
  expect(gates).toHaveLength(wanted.gates?.length ?? 0);
});

test('[RF7] the answer names the gates and the limits it used', () => {
  const contents = readPackagedRuleFiles();
  const { rule_files } = findGates({}, BOOK);

  expect(rule_files).toEqual(
    [
      { name: GATES, version: 4 },
      { name: 'sizing/limits', version: 2 },
    ].map((file) => ({ ...file, sha256: hashText(contents[pathOf(file)] ?? '') })),
  );
});

test('[GT12] the step protocol and the row say the same of missing blood return', () => {
  const steps = readProtocol(BOOK);
  for (const wantsAdhesive of [true, false]) {
    const targets = [{ label: 'Varix A', wantsAdhesive, coilsPlanned: 1 }];
    const round = { ...NO_ROUND, target: 'Varix A', puncture: 1 };
    const events = steps
      .filter(({ loop }) => loop === null || loop === 'puncture')
      .map(({ id, loop }) => ({
        step: id,
        round: loop === null ? NO_ROUND : round,
        outcome: id === 'blood_return' ? ('not-seen' as const) : ('done' as const),
        move: null,
      }));
    const facts = { blood_return: { seen: false, wants_adhesive: wantsAdhesive } };

    expect(followProtocol(steps, targets, events).gates).toEqual(
      findGates(facts, BOOK).gates.map(({ id, level, text }) => ({ id, level, text })),
    );
  }
});

test('[GT3] a unit that has approved nothing is still held back', () => {
  const untrained = new RuleBook(readPackagedRuleFiles(), ON, { releases: [], isTraining: false });
  expect(() => untrained.ruleFile(GATES, (row) => row)).toThrowError(RuleFileError);

  const { gates } = findGates({ stop_um: 24_000, measured_distance_um: 23_000 }, untrained);
  expect(gates.map(({ id }) => id)).toEqual(['HARD-05']);
});
