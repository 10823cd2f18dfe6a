/** Sizing, follow-up and steps answer to the vectors that both engines read. */
import { readFileSync } from 'node:fs';
import { describe, expect, test } from 'vitest';
import { addInterval } from './civil-date';
import { ClinicalRuleError } from './errors';
import { answerFollowUp } from './follow-up';
import { packagedRuleBook } from './packaged-rule-files';
import { answerSizing } from './sizing';
import { followProtocol, type Move, readProtocol, type StepOutcome } from './step-protocol';

interface VectorFile<Given> {
  cases: { description: string; given: Given; expect: Record<string, unknown> }[];
}
interface Calculation {
  kind: 'sizing' | 'follow-up';
  request: unknown;
}
interface Procedure {
  targets: { label: string; wants_adhesive: boolean; coils_planned: number }[];
  events: {
    step: string;
    target?: string;
    puncture?: number;
    coil?: number;
    aliquot?: number;
    outcome?: StepOutcome;
    move?: Move;
  }[];
}

const book = packagedRuleBook('2026-06-01');

function vectors<Given>(path: string): VectorFile<Given>['cases'] {
  const file = new URL(`../../../tests/conformance/${path}`, import.meta.url);
  return (JSON.parse(readFileSync(file, 'utf8')) as VectorFile<Given>).cases;
}

function stepInto(answer: unknown, path: string): unknown {
  return path.split('.').reduce((inner: unknown, key) => {
    if (Array.isArray(inner)) {
      return inner.find((one) => (one as { visit?: string }).visit === key) ?? inner[Number(key)];
    }
    return (inner as Record<string, unknown>)[key];
  }, answer);
}

describe('[SZ1] [FU3] sizing and follow-up', () => {
  const cases = [
    ...vectors<Calculation>('sizing/answer_sizing.json'),
    ...vectors<Calculation>('follow_up/answer_follow_up.json'),
  ];
  test.each(cases)('$description', ({ given, expect: wanted }) => {
    const calculate = () =>
      given.kind === 'sizing'
        ? answerSizing(given.request, book)
        : answerFollowUp(given.request, book);
    if (typeof wanted.refused === 'string') {
      expect(calculate).toThrowError(ClinicalRuleError);
      expect(calculate).toThrowError(wanted.refused);
      return;
    }
    const answer = calculate();
    const cautions = 'cautions' in answer ? answer.cautions.map(({ id }) => id) : [];
    const planned = 'visits' in answer ? answer.visits.map(({ visit }) => visit) : [];
    for (const [path, content] of Object.entries(wanted)) {
      const listed = content as string[];
      if (path === 'cautions.ids') expect(cautions).toEqual(expect.arrayContaining(listed));
      else if (path === 'cautions.without') {
        expect(cautions.filter((id) => listed.includes(id))).toEqual([]);
      } else if (path === 'visits.absent') {
        expect(planned.filter((visit) => listed.includes(visit))).toEqual([]);
      } else expect(stepInto(answer, path), path).toEqual(content);
    }
  });
});

describe('[ST1] the step protocol', () => {
  test.each(vectors<Procedure>('steps/follow_protocol.json'))(
    '$description',
    ({ given, expect: wanted }) => {
      const progress = followProtocol(
        readProtocol(book),
        given.targets.map(({ label, wants_adhesive, coils_planned }) => ({
          label,
          wantsAdhesive: wants_adhesive,
          coilsPlanned: coils_planned,
        })),
        given.events.map(({ step, outcome, move, ...round }) => ({
          step,
          round: { target: null, puncture: null, coil: null, aliquot: null, ...round },
          outcome: outcome ?? 'done',
          move: move ?? null,
        })),
      );

      const shown: Record<string, unknown> = {
        step: progress.step,
        phase: progress.phase,
        round: Object.fromEntries(
          Object.entries(progress.round).filter(([, content]) => content !== null),
        ),
        choices: progress.choices,
        gates: progress.gates.map(({ id, level }) => `${id} ${level}`),
        is_finished: progress.isFinished,
      };
      for (const [key, content] of Object.entries(wanted)) {
        expect(shown[key], key).toEqual(content);
      }
    },
  );
});

test('[FU2] the last day of a leap February', () => {
  expect(addInterval('2024-01-31', 1, 0)).toBe('2024-02-29');
});
