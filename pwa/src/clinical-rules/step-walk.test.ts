/** The walk through the step protocol; the Python twin runs the same file in `tests/unit/api`. */
import { readFileSync } from 'node:fs';
import { expect, test } from 'vitest';
import { packagedRuleBook } from './packaged-rule-files';
import { followProtocol, readProtocol, type StepEvent } from './step-protocol';

interface Walk {
  description: string;
  given: { targets: { label: string; wants_adhesive: boolean; coils_planned: number }[] };
  expect: string[];
}

const file = new URL('../../../tests/conformance/steps/walk_protocol.json', import.meta.url);
const { cases } = JSON.parse(readFileSync(file, 'utf8')) as { cases: Walk[] };
const steps = readProtocol(packagedRuleBook('2026-06-01'));

test.each(cases)('$description', ({ given, expect: wanted }) => {
  const targets = given.targets.map(({ label, wants_adhesive, coils_planned }) => ({
    label,
    wantsAdhesive: wants_adhesive,
    coilsPlanned: coils_planned,
  }));
  const events: StepEvent[] = [];
  const walked: string[] = [];
  while (walked.length <= wanted.length) {
    const now = followProtocol(steps, targets, events);
    if (now.step === null) break;
    const move = now.choices[0] ?? null;
    events.push({ step: now.step, round: now.round, outcome: 'done', move });
    const step = steps.find(({ id }) => id === now.step);
    walked.push(step ? `${step.number} ${step.phase}: ${step.id}, ${step.takes}` : `${move}`);
  }
  expect(walked).toEqual(wanted);
});
