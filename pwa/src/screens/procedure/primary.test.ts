/** A gate that stands withholds the primary action, and nothing else of the screen. */
import { expect, test } from 'vitest';
import type { Facts } from '../../clinical-rules/gate-facts';
import { packagedRuleBook } from '../../clinical-rules/packaged-rule-files';
import { readProtocol } from '../../clinical-rules/step-protocol';
import { standingGates } from '../../state/override';
import type { ProcedureSession } from '../../state/procedure.svelte';
import { NO_ANSWERS } from '../../state/procedure-answers';
import { primaryOf } from './primary';

const BOOK = packagedRuleBook('2026-06-01');
const STEPS = readProtocol(BOOK);

/** A session on one step with an amount entered, as far as the primary action looks at it. */
function session(id: string, amount: number, more: object = {}): ProcedureSession {
  return {
    step: STEPS.find((step) => step.id === id) ?? null,
    answers: { ...NO_ANSWERS, amount },
    distanceUm: 23_000,
    givenUl: 5_500,
    adhesive: { partsAdhesive: 1, partsOil: 0 },
    planStanding: { kind: 'none' },
    conflicts: [],
    progress: { choices: [] },
    flushMedia: [],
    limits: null,
    isTimerHere: () => false,
    timer: { isStopped: false, readNow: () => null },
    isPassed: () => false,
    gatesOn: (facts: Facts) => standingGates(BOOK, facts),
    ...more,
  } as unknown as ProcedureSession;
}
const primary = (of: ProcedureSession) => {
  const { words, isBlocked } = primaryOf(of, () => undefined);
  return [words, isBlocked];
};
const old = {
  planStanding: {
    kind: 'out-of-date',
    changes: [{ kind: 'other', part: 'needle', name: '', key: 'gauge', was: 19, is: 22 }],
  },
};

test('[HARD-05] the stop is recorded as done at the distance, not beyond it', () => {
  expect(primary(session('stop_set', 23_000))).toEqual(['Record stop 23 mm', false]);
  expect(primary(session('stop_set', 23_001))).toEqual(['Enter the stop again', true]);
});

test('[HARD-04] the injection starts up to the limit, above it a second person is first', () => {
  expect(primary(session('injection', 500))).toEqual(['Start injection 0.5 mL', false]);
  expect(primary(session('injection', 501))).toEqual(['A second person first', true]);
});

test('[HARD-03] with an old plan the injection waits; one that runs can always be stopped', () => {
  expect(primary(session('injection', 500, old))).toEqual(['Plan again, or say why', true]);
  expect(primary(session('injection', 500, { ...old, isTimerHere: () => true }))).toEqual([
    'Stop: 0.5 mL given',
    false,
  ]);
  expect(primary(session('dead_space_flush', 500, old))[1]).toBe(false);
});

test('[HAZ-21] a stop before half the planned time asks what was given, a later one records it', () => {
  let stopped = 0;
  const recorded: unknown[] = [];
  const running = (elapsedMs: number, isStopped = false) =>
    session('injection', 1_000, {
      limits: { softUl: 4_000, secondPersonUl: 6_000, aliquotUl: 1_000, aliquotMsPerMl: 45_000 },
      isTimerHere: () => true,
      timer: { isStopped, readNow: () => ({ elapsedMs }) },
      stopTimer: () => {
        stopped += 1;
      },
      pass: (_outcome: string, more: { amount: number }) => recorded.push(more.amount),
    });

  primaryOf(running(22_499), () => undefined).press();
  expect([stopped, recorded]).toEqual([1, []]);
  expect(primary(running(22_499, true))).toEqual(['All 1 mL given', false]);
  primaryOf(running(22_499, true), () => undefined).press();
  primaryOf(running(22_500), () => undefined).press();
  expect([stopped, recorded]).toEqual([1, [1_000, 1_000]]);
});
