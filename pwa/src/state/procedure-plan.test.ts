import { expect, test } from 'vitest';
import { packagedRuleBook } from '../clinical-rules/packaged-rule-files';
import { type Progress, readProtocol, type StepEvent } from '../clinical-rules/step-protocol';
import { passedActs, readEvents, startedAt } from './procedure-events';
import { flushMediaOf, injectionLimits, injectionMs, limitStanding } from './procedure-limits';
import {
  adhesivePlan,
  deviceOf,
  plannedStopUm,
  plannedTargets,
  plannedTotals,
  stockOf,
  targetPlans,
} from './procedure-plan';
import { roundForStep, stepsBeforePuncture } from './procedure-rounds';
import type { Json, RecordState } from './shown';

const book = packagedRuleBook('2026-03-16');
function recorded(record: string, set: Record<string, Json>): RecordState {
  return {
    record,
    fields: Object.fromEntries(
      Object.entries(set).map(([field, value]) => [
        field,
        { values: [{ value, references: ['r'], by: '', stamp: '1' }], isConflict: false },
      ]),
    ),
    struck: [],
    isEnteredInError: false,
    heads: ['r'],
  };
}
const planned = recorded('case/c1', {
  adhesive: { agent: 'n-butyl-2-cyanoacrylate', parts_adhesive: 5, parts_oil: 8 },
  plan: {
    request: { targets: [{ label: 'B', measured_distance_um: 23_000 }] },
    answer: {
      targets: [{ label: 'B', needle_stop_um: 21_000, coils: { from: 2, picks: ['s1', 's2'] } }],
      adhesive: { aliquot_ul: 1_000, flush_ul: 900, flush_media: ['sterile-water'] },
    },
  },
});
const targets = [
  recorded('target/a', { label: 'A', order: 2 }),
  recorded('target/b', { label: 'B', order: 1 }),
];

test('targets come in their order, each with what the plan says of it and nothing more', () => {
  const [first, second] = targetPlans(planned, targets);

  expect(first).toMatchObject({ label: 'B', needleStopUm: 21_000, picks: ['s1', 's2'] });
  expect(second).toMatchObject({ label: 'A', needleStopUm: null, picks: [] });
});

test('[HAZ-09] without a plan there is no number', () => {
  const bare = recorded('case/c1', {});

  expect(adhesivePlan(bare)).toEqual({
    agent: null,
    partsAdhesive: null,
    partsOil: null,
    aliquotUl: null,
    aliquotMs: null,
    flushUl: null,
    flushMedia: [],
  });
  expect(targetPlans(bare, [])).toMatchObject([
    { label: 'Varix A', record: 'target/c1-a', isRecorded: false, needleStopUm: null },
  ]);
});

test('while nobody chose coils alone, adhesive counts as wanted: the stricter gate holds', () => {
  const plans = targetPlans(planned, targets);
  const agents = [null, 'none', '2-octyl-cyanoacrylate'];
  const wants = agents.map(
    (agent) => plannedTargets(plans, { ...adhesivePlan(planned), agent })[0]?.wantsAdhesive,
  );

  expect(wants).toEqual([true, false, true]);
});

test('[HAZ-02] a planned stop is shown for the planned distance alone', () => {
  const [target] = targetPlans(planned, targets);
  if (target === undefined) throw new Error('no target');

  expect(plannedStopUm(target, 23_000)).toBe(21_000);
  expect(plannedStopUm(target, 22_999)).toBeNull();
  expect(plannedStopUm(target, null)).toBeNull();
});

test('stock is read with its lots; what has no lot name is left out', () => {
  const items = [
    recorded('stock_item/1', {
      item: 'coil',
      name: 'small',
      coil: { loop_um: 8_000, wire_um: 889, length_um: 1 },
      lots: ['L-1', { lot: 'L-2', expires_on: '2028-04-30' }, { expires_on: '2028-04-30' }, 7],
    }),
    recorded('stock_item/2', { item: 'coil', name: 'large', coil: { loop_um: 14_000 } }),
    recorded('stock_item/3', { item: 'needle', name: 'needle' }),
  ];
  const coils = stockOf(items, 'coil');

  expect(coils.map(({ name }) => name)).toEqual(['small', 'large']);
  expect(coils[0]?.lots.map(({ lot }) => lot)).toEqual(['L-1', 'L-2']);
  expect(deviceOf(coils[0]?.lots[1] ?? null)).toEqual({ lot: 'L-2', expires_on: '2028-04-30' });
  expect(deviceOf(null)).toEqual({ lot_unknown: true });
});

test('[HARD-04] limits are passed above, not at, the amount of the rule file', () => {
  const limits = injectionLimits(book);
  if (limits === null) throw new Error('no limits in force');
  // 4 mL and 6 mL a session, 45 s a mL: sizing/limits (unit setting).
  expect(limits).toMatchObject({ softUl: 4_000, secondPersonUl: 6_000, aliquotMsPerMl: 45_000 });

  const standings = [4_000, 4_001, 6_000, 6_001].map((sum) => limitStanding(sum - 1, 1, limits));
  expect(standings).toEqual(['within', 'above-soft', 'above-soft', 'second-person']);
  expect(limitStanding(9_000, 1, null)).toBe('within');
});

test('[HAZ-06] the time of an amount is rounded up: never faster than the rule', () => {
  const limits = injectionLimits(book);
  if (limits === null) throw new Error('no limits in force');

  expect([1_000, 500, 1].map((amount) => injectionMs(amount, limits))).toEqual([
    45_000, 22_500, 45,
  ]);
});

test('each adhesive has its own flush, an unknown one has none', () => {
  expect(flushMediaOf(book, '2-octyl-cyanoacrylate')).toEqual(['saline']);
  expect(flushMediaOf(book, 'n-butyl-2-cyanoacrylate')).not.toContain('saline');
  expect(flushMediaOf(book, null)).toEqual([]);
});

const steps = readProtocol(book);
const step = (id: string) => {
  const found = steps.find((one) => one.id === id);
  if (found === undefined) throw new Error(`no step ${id}`);
  return found;
};
const progress = (round: Partial<Progress['round']>): Progress => ({
  step: null,
  round: { target: null, puncture: null, coil: null, aliquot: null, ...round },
  phase: '',
  choices: [],
  gates: [],
  passed: 0,
  isFinished: false,
});
const passed = (id: string, coil: number | null): StepEvent => ({
  step: id,
  round: { target: 'A', puncture: 2, coil, aliquot: null },
  outcome: 'done',
  move: null,
});

test('[GATE-00] a step pressed out of order gets the round of the moment', () => {
  const list = plannedTargets(targetPlans(planned, targets), adhesivePlan(planned));
  const inCoil = progress({ target: 'A', puncture: 2, coil: 3 });

  expect(roundForStep(step('consent'), inCoil, list, []).target).toBeNull();
  expect(roundForStep(step('coil_formed'), inCoil, list, [])).toMatchObject({
    target: 'A',
    puncture: 2,
    coil: 3,
  });
  expect(roundForStep(step('coil_formed'), inCoil, list, [passed('coil_formed', 3)]).coil).toBe(4);
  expect(roundForStep(step('injection'), inCoil, list, [])).toMatchObject({
    coil: null,
    aliquot: 1,
  });
  expect(roundForStep(step('coil_formed'), progress({}), list, [])).toMatchObject({
    target: 'B',
    puncture: 1,
    coil: 1,
  });
  expect(
    roundForStep(step('coil_formed'), progress({}), list, [passed('coil_formed', 1)]),
  ).toMatchObject({ target: 'A', puncture: 2, coil: 2 });
});

test('[HAZ-28] what an emergency leaves out ends at the first puncture', () => {
  const left = stepsBeforePuncture(steps, [passed('identity', null)]).map(({ id }) => id);

  expect(left).not.toContain('identity');
  expect(left).toContain('time_out');
  expect(left).not.toContain('needle_flushed');
});

test('answers of close-out are no step of the bedside', () => {
  const events = [
    recorded('step_event/b', { step: 'consent', outcome: 'done', at: '2026-03-16T09:00:00Z' }),
    recorded('step_event/a', { step: 'close_out', outcome: 'done', at: '2026-03-16T07:00:00Z' }),
    recorded('step_event/c', {
      step: 'identity',
      outcome: 'done',
      at: '2026-03-16T09:30:00+01:00',
    }),
    recorded('step_event/d', { step: 'broken', outcome: 'unheard of' }),
  ];

  expect(readEvents(events).map((event) => event.step)).toEqual(['consent', 'identity']);
  expect(passedActs(events, [], new Map()).map(({ actId }) => actId)).toEqual(['b', 'c', 'd']);
  expect(startedAt(events)).toBe('2026-03-16T09:30:00+01:00');
});

test('[GATE-02] what the plan adds up to stands beside what was given, or nothing where it says nothing', () => {
  const plan = (targets: Json[], adhesive: Json = null) =>
    recorded('case/c', { plan: { request: {}, answer: { targets, adhesive } } });
  const coils = (from: number, to: number) => ({ coils: { from, to } });

  expect(
    plannedTotals(
      plan([coils(1, 2), coils(2, 2)], { pure_ul: 1_000, mix_ul: 2_400, flush_ul: 800 }),
    ),
  ).toEqual({ coilsFrom: 3, coilsTo: 4, pureUl: 1_000, mixUl: 2_400, flushUl: 800 });
  // One target without a number: then there is no sum either (HAZ-09).
  expect(plannedTotals(plan([coils(1, 2), { coils: { missing: ['coils.picks'] } }]))).toEqual({
    coilsFrom: null,
    coilsTo: null,
    pureUl: null,
    mixUl: null,
    flushUl: null,
  });
  expect(plannedTotals(null).coilsTo).toBeNull();
});
