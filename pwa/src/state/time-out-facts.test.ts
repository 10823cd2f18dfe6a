import { expect, test } from 'vitest';
import { packagedRuleBook } from '../clinical-rules/packaged-rule-files';
import type { CaseRecord } from './case-record.svelte';
import { injectionLimits } from './procedure-limits';
import type { AdhesivePlan, TargetPlan } from './procedure-plan';
import type { RecordState } from './shown';
import { timeOutFacts } from './time-out-facts';

const state = (record: string, fields: Record<string, unknown>) =>
  ({
    record,
    fields: Object.fromEntries(
      Object.entries(fields).map(([field, value]) => [
        field,
        { values: [{ value, references: ['r'], by: 's', stamp: '1' }], isConflict: false },
      ]),
    ),
    struck: [],
    isEnteredInError: false,
    heads: [],
  }) as unknown as RecordState;
const caseOf = (fields: Record<string, unknown>, targets: RecordState[]) =>
  ({
    itself: state('case/c', fields),
    standing: (kind: string) => (kind === 'target' ? targets : []),
  }) as unknown as CaseRecord;
const coil = (record: string, loop_um: number) => ({
  record,
  item: 'coil',
  name: record,
  coil: { stock_id: record, loop_um, wire_um: 889, length_um: 70_000 },
  agent: '',
  lots: [],
});
const target: TargetPlan = {
  label: 'Varix A',
  record: 'target/a',
  isRecorded: true,
  measuredDistanceUm: 18_000,
  needleStopUm: 16_000,
  picks: ['stock_item/large', 'stock_item/large', 'stock_item/small'],
  coilsFrom: 2,
};
const adhesive: AdhesivePlan = {
  agent: '2-octyl-cyanoacrylate',
  partsAdhesive: 1,
  partsOil: 0,
  aliquotUl: 1_000,
  aliquotMs: 45_000,
  flushUl: 1_000,
  flushMedia: ['saline'],
};
const planned = { coilsFrom: 2, coilsTo: 3, pureUl: 2_000, mixUl: 2_000, flushUl: 1_000 };
const agreed = {
  record: caseOf(
    { needle: { gauge: 19 }, adhesive: { agent: adhesive.agent }, right_to_left_shunt: 'unknown' },
    [state('target/a', { label: 'Varix A' })],
  ),
  targets: [target],
  adhesive,
  planned,
  coils: [coil('stock_item/large', 18_000), coil('stock_item/small', 14_000)],
  limits: injectionLimits(packagedRuleBook('2026-03-16')),
};
const lines = (of: Parameters<typeof timeOutFacts>[0]) =>
  Object.fromEntries(timeOutFacts(of).map(({ about, entered }) => [about, entered]));

test('each thing that the time out names has a line, in the order of the question', () => {
  expect(timeOutFacts(agreed).map(({ about, entered }) => [about, entered.join(', ')])).toEqual([
    ['targets', 'Varix A'],
    ['needle', '19 G'],
    ['planned_stop', '16 mm'],
    ['planned_coils', '2 × 18 mm, 1 × 14 mm'],
    ['adhesive', '2-octyl-cyanoacrylate'],
    ['planned_pure', '2 mL'],
    ['planned_flush', '1 mL, saline'],
    ['second_person', '6 mL'],
    ['right_to_left_shunt', 'unknown'],
    ['allergies', ''],
  ]);
});

test('with oil the mix has a line of its own, with coils alone the adhesive has none (HAZ-04)', () => {
  const withOil = lines({
    ...agreed,
    adhesive: { ...adhesive, partsOil: 1 },
    planned: { ...planned, pureUl: 1_000 },
  });
  const alone = lines({ ...agreed, adhesive: { ...adhesive, agent: 'none' } });

  expect([withOil.planned_pure, withOil.planned_mix]).toEqual([['1 mL'], ['2 mL']]);
  expect(Object.keys(alone)).not.toContain('planned_pure');
  expect(Object.keys(alone)).not.toContain('planned_flush');
});

test('of two targets each number says whose it is; what nobody planned stays an empty line', () => {
  const other = { ...target, label: 'Varix B', needleStopUm: 20_000, picks: [] };
  const two = lines({ ...agreed, targets: [target, other] });
  const none = lines({
    ...agreed,
    targets: [{ ...target, needleStopUm: null, picks: [] }],
    planned: { coilsFrom: null, coilsTo: null, pureUl: null, mixUl: null, flushUl: null },
    limits: null,
  });

  expect(two.planned_stop).toEqual(['Varix A: 16 mm', 'Varix B: 20 mm']);
  expect(two.planned_coils).toEqual(['Varix A: 2 × 18 mm, 1 × 14 mm']);
  expect([none.planned_stop, none.planned_coils, none.planned_pure]).toEqual([[], [], []]);
});
