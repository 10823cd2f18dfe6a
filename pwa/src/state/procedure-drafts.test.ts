import { expect, test } from 'vitest';
import { packagedRuleBook } from '../clinical-rules/packaged-rule-files';
import { findProtocol, type Step } from '../clinical-rules/step-protocol';
import type { HistoryEntry } from '../ports';
import { protocolOf } from './plan';
import { actDrafts, NO_ANSWERS, type StepSurroundings } from './procedure-answers';
import {
  actOf,
  madeDraft,
  moveDraft,
  startDraft,
  touchedPackages,
  undoDrafts,
} from './procedure-drafts';
import { type Json, overOf, type RecordState } from './shown';

const mark = { actId: 'act1', caseRecord: 'case/c', at: '2026-03-16T08:05:00.000+01:00' };
const round = { target: 'Varix A', puncture: 1, coil: 1, aliquot: null };
const target = {
  label: 'Varix A',
  record: 'target/a',
  isRecorded: true,
  measuredDistanceUm: null,
  needleStopUm: null,
  picks: [],
  coilsFrom: null,
};
const step = (id: string, takes: string) => ({ id, takes, title: id }) as unknown as Step;
const here = (of: Step, more: Partial<StepSurroundings> = {}): StepSurroundings => ({
  step: of,
  round,
  target,
  punctures: [],
  coilsInTarget: 0,
  opened: null,
  laidOut: [],
  adhesive: {
    agent: '2-octyl-cyanoacrylate',
    partsAdhesive: 1,
    partsOil: 0,
    aliquotUl: 1_000,
    aliquotMs: 45_000,
    flushUl: 1_000,
    flushMedia: ['saline'],
  },
  adhesiveDevice: null,
  stopUm: 21_000,
  timer: null,
  ...more,
});
const stock = {
  record: 'stock_item/14',
  item: 'coil',
  name: 'Coil 14',
  coil: { stock_id: 'stock_item/14', loop_um: 14_000, wire_um: 889, length_um: 140_000 },
  agent: '',
  lots: [],
};
function recorded(record: string, set: Record<string, Json>): RecordState {
  const reference = `ref ${record}`;
  return {
    record,
    fields: Object.fromEntries(
      Object.entries(set).map(([field, value]) => [
        field,
        { values: [{ value, references: [reference], by: '', stamp: '1' }], isConflict: false },
      ]),
    ),
    struck: [],
    isEnteredInError: false,
    heads: [reference],
  };
}
const kinds = (drafts: { record: string }[]) => drafts.map(({ record }) => record.split('/')[0]);

test('one act at a coil records the step, the puncture, the package and the coil together', () => {
  const drafts = actDrafts(mark, here(step('coil_formed', 'coil')), 'done', {
    ...NO_ANSWERS,
    stock,
    lot: { lot: 'L-0417-A', identifier: '', expiresOn: '2028-04-30' },
  });

  expect(kinds(drafts)).toEqual(['step_event', 'puncture', 'package_opened', 'coil_placed']);
  expect(drafts.every(({ record }) => actOf(record) === 'act1')).toBe(true);
  expect(new Set(drafts.map(({ draftId }) => draftId)).size).toBe(drafts.length);
  expect(drafts[1]?.set).toMatchObject({ target: 'target/a', number: 1, stop_um: 21_000 });
  expect(drafts[3]?.set).toMatchObject({
    puncture: 'puncture/act1',
    package: 'package_opened/act1',
    slot: 1,
    coil: { loop_um: 14_000 },
    device: { lot: 'L-0417-A', expires_on: '2028-04-30' },
  });
});

test('a coil from an opened package says what became of it, over what was on screen', () => {
  const opened = recorded('package_opened/act0', { fate: 'open', stock_id: stock.record });
  const drafts = actDrafts(mark, here(step('coil_formed', 'coil'), { opened }), 'done', {
    ...NO_ANSWERS,
    stock,
  });

  expect(drafts).toContainEqual({
    draftId: 'fate-act1-act0',
    record: 'package_opened/act0',
    set: { fate: 'placed' },
    over: { fate: ['ref package_opened/act0'] },
  });
});

test('a coil that did not form discards its package and leaves no coil', () => {
  const opened = recorded('package_opened/act0', { fate: 'open' });
  const drafts = actDrafts(mark, here(step('coil_formed', 'coil'), { opened }), 'not-seen', {
    ...NO_ANSWERS,
    stock,
  });

  expect(kinds(drafts)).toEqual(['step_event', 'package_opened']);
  expect(drafts[1]?.set).toEqual({ fate: 'discarded' });
});

/** Planted: the diameter kept of a feeder that was not followed. */
test('[DR17] a followed feeder keeps its diameter, no other tick keeps a number', () => {
  const said = (id: string, outcome: 'done' | 'not-seen' | 'skipped') =>
    actDrafts(mark, here(step(id, 'tick')), outcome, { ...NO_ANSWERS, amount: 6_000 })[0]?.set
      ?.answers;

  expect(said('feeder', 'done')).toEqual({ length_um: 6_000 });
  expect(said('feeder', 'not-seen')).toBeUndefined();
  expect(said('feeder', 'skipped')).toBeUndefined();
  expect(said('axes', 'done')).toBeUndefined();
});

test('[HAZ-09] a skipped step records nothing physical', () => {
  for (const takes of ['coil', 'package', 'adhesive', 'flush', 'yes_no']) {
    const drafts = actDrafts(mark, here(step('tip_seen', takes)), 'skipped', {
      ...NO_ANSWERS,
      amount: 1_000,
      stock,
      reason: 'Emergency',
    });

    expect(kinds(drafts)).toEqual(['step_event']);
    expect(drafts[0]?.set?.answers).toEqual({ reason: 'Emergency' });
  }
});

test('[HAZ-17] an injection whose clocks disagreed keeps both times', () => {
  const timer = {
    elapsedMs: 20_000,
    isUncertain: true,
    wallElapsedMs: 200_000,
    monotonicElapsedMs: 20_000,
    earlierMs: 5_000,
  };
  const drafts = actDrafts(mark, here(step('injection', 'adhesive'), { timer }), 'done', {
    ...NO_ANSWERS,
    amount: 1_000,
  });

  expect(drafts[0]?.set?.answers).toEqual({
    mix_ul: 1_000,
    elapsed_ms: 20_000,
    start_moved_back_ms: 5_000,
    time_uncertain: true,
    wall_elapsed_ms: 200_000,
    monotonic_elapsed_ms: 20_000,
  });
  expect(drafts.at(-1)?.set).toMatchObject({
    elapsed_ms: 20_000,
    amount: { mix_ul: 1_000, parts_adhesive: 1, parts_oil: 0 },
  });
});

test('a target that nobody planned is recorded with the first act on it, by the same id', () => {
  const unplanned = { ...target, record: 'target/c-a', isRecorded: false };
  const [first] = actDrafts(
    mark,
    here(step('tip_seen', 'yes_no'), { target: unplanned }),
    'done',
    NO_ANSWERS,
  );

  expect(first).toEqual({
    draftId: 'target-c-a',
    record: 'target/c-a',
    set: { case: 'case/c', label: 'Varix A', order: 1 },
  });
});

test('[HAZ-16] undo retracts every record of the act and what it made of a package', () => {
  const records = [
    recorded('step_event/act1', { step: 'coil_formed' }),
    recorded('coil_placed/act1', { package: 'package_opened/act0' }),
    recorded('package_opened/act0', { case: 'case/c', fate: 'placed' }),
    recorded('step_event/act2', { step: 'doppler_again' }),
  ];
  const entry = (reference: string, wallMs: number, set: Record<string, Json>): HistoryEntry => ({
    reference,
    stamp: '',
    wallMs,
    by: '',
    tappedBy: '',
    device: '',
    set,
    retract: [],
    because: '',
    isStruck: false,
    reached: 'tablet',
  });
  const histories = new Map([
    ['step_event/act1', [entry('ref step_event/act1', 50, {})]],
    [
      'package_opened/act0',
      [
        entry('opened', 40, { case: 'case/c', fate: 'open' }),
        entry('placed', 50, { fate: 'placed' }),
        entry('lot added later', 90, { device: { lot: 'L-1' } }),
      ],
    ],
  ]);

  expect(touchedPackages('act1', records)).toEqual(['package_opened/act0']);
  const drafts = undoDrafts('act1', records, histories);
  expect(drafts.map(({ record, retract }) => [record, retract])).toEqual([
    ['step_event/act1', ['ref step_event/act1']],
    ['coil_placed/act1', ['ref coil_placed/act1']],
    ['package_opened/act0', ['placed']],
  ]);
  expect(undoDrafts('act1', records, histories)).toEqual(drafts);
});

test('records of steps skipped at once belong to one act and to different records', () => {
  const drafts = ['kit_counted', 'gas_out'].map((id) => madeDraft(mark, 'step_event', {}, id));

  expect(drafts.map(({ record }) => record)).toEqual([
    'step_event/act1--kit-counted',
    'step_event/act1--gas-out',
  ]);
  expect(drafts.map(({ record }) => actOf(record))).toEqual(['act1', 'act1']);
});

test('a chosen move is a step of its own with the round it was chosen in', () => {
  expect(moveDraft(mark, round, 'another_coil').set).toMatchObject({
    step: 'choose',
    move: 'another_coil',
    round,
  });
});

// A start that named the protocol in force at each look turned this red.
test('[HAZ-10] a case that starts without a plan takes up the step protocol, one with a plan keeps its own', () => {
  const older = { name: 'step_protocols/coil_and_adhesive', version: 1, sha256: 'a'.repeat(64) };
  const planned = recorded('case/c', { plan: { request: {}, answer: {}, protocol: older } });
  const book = packagedRuleBook('2026-03-16');
  const inForce = findProtocol(book);
  const started = startDraft(recorded('case/c', {}), inForce, '2026-03-16');

  expect(startDraft(planned, inForce, '2026-03-16').set).toEqual({
    stage: 'in-procedure',
    procedure_on: '2026-03-16',
  });
  expect(started.set).toEqual({
    stage: 'in-procedure',
    procedure_on: '2026-03-16',
    step_protocol: { name: inForce.name, version: inForce.version, sha256: inForce.sha256 },
  });
  expect(protocolOf(planned)).toEqual(older);
  expect(protocolOf(recorded('case/c', { step_protocol: { ...older } }))).toEqual(older);
  expect(findProtocol(book, protocolOf(recorded('case/c', started.set as never)))).toEqual(inForce);
  expect(protocolOf(recorded('case/c', {}))).toBeUndefined();
});

// A start that left the planned day as it was counted a whole follow-up from the wrong day.
test('[FU-02] the day a procedure is done takes the place of the day it was planned for', () => {
  const inForce = findProtocol(packagedRuleBook('2026-03-16'));
  const planned = recorded('case/c', { procedure_on: '2026-03-23' });
  const started = startDraft(planned, inForce, '2026-03-16');
  const onTheDay = startDraft(planned, inForce, '2026-03-23');

  expect(started.set?.procedure_on).toBe('2026-03-16');
  expect(started.over).toEqual(overOf(planned, 'stage', 'procedure_on'));
  expect(onTheDay.set).not.toHaveProperty('procedure_on');
});
