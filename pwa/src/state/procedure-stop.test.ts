import { expect, test } from 'vitest';
import { packagedRuleBook, readPackagedRuleFiles } from '../clinical-rules/packaged-rule-files';
import { RuleBook } from '../clinical-rules/rule-book';
import { startingStop, stopStepUm } from './procedure-stop';
import type { Json, RecordState } from './shown';

const BOOK = packagedRuleBook('2026-03-16');

function recorded(record: string, set: Record<string, Json>): RecordState {
  const fields = Object.fromEntries(
    Object.entries(set).map(([field, value]) => [
      field,
      { values: [{ value, references: ['r'], by: '', stamp: '1' }], isConflict: false },
    ]),
  );
  return { record, fields, struck: [], isEnteredInError: false, heads: ['r'] };
}
const walls = (near: number, far: number) =>
  recorded('target/t1', { distance: { near_wall_um: near, far_wall_um: far } });

/**
 * 23 mm measured, stop at 21 mm: common practice, no source; margin 2 mm (project default).
 * Caught, as it stood: without a plan the stop started at the whole distance.
 */
test('[SZ9] the stop is the distance less 2 mm, down to the needle step', () => {
  const stopOf = (distanceUm: number, stepUm: number) => {
    const found = startingStop(distanceUm, stepUm, null, BOOK);
    return found.kind === 'found' ? found.stopUm : found.kind;
  };

  expect(stopOf(23_000, 1_000)).toBe(21_000);
  expect(stopOf(23_400, 1_000)).toBe(21_000);
  expect(stopOf(23_000, 10_000)).toBe(20_000);
  expect(stopOf(11_900, 10_000)).toBe('refused');
  expect(startingStop(23_000, 1_000, null, BOOK)).toEqual({
    kind: 'found',
    stopUm: 21_000,
    distanceUm: 23_000,
    marginUm: 2_000,
    stepUm: 1_000,
    basis: 'sizing/limits v2',
  });
});

test('[HAZ-06] [SZ9] every stop offered lies short of its distance by the margin at least', () => {
  for (let distanceUm = 0; distanceUm <= 60_000; distanceUm += 100) {
    for (const stepUm of [500, 1_000, 2_500, 10_000]) {
      const found = startingStop(distanceUm, stepUm, null, BOOK);
      if (found.kind !== 'found') continue;
      expect(found.stopUm).toBeGreaterThan(0);
      expect(distanceUm - found.stopUm).toBeGreaterThanOrEqual(found.marginUm);
      expect(found.stopUm % stepUm).toBe(0);
    }
  }
});

test('[SZ10] walls that the stop would not lie between are told, and no number is', () => {
  expect(startingStop(23_000, 1_000, walls(21_000, 30_000), BOOK)).toEqual({
    kind: 'refused',
    text: 'The stop would lie before the near wall. Measure again.',
  });
  expect(startingStop(23_000, 1_000, walls(10_000, 21_000), BOOK)).toEqual({
    kind: 'refused',
    text: 'The stop would reach the far wall. Measure again.',
  });
  expect(startingStop(23_000, 1_000, walls(10_000, 30_000), BOOK)).toMatchObject({
    kind: 'found',
    stopUm: 21_000,
  });
});

test('[HAZ-09] without a distance there is no number to start from', () => {
  expect(startingStop(null, 1_000, null, BOOK)).toEqual({ kind: 'no-distance' });
});

test('[HAZ-13] without a margin in force nothing is offered, least of all the distance itself', () => {
  const live = new RuleBook(readPackagedRuleFiles(), '2026-03-16', {
    releases: [],
    isTraining: false,
  });

  expect(startingStop(23_000, 1_000, null, live)).toEqual({ kind: 'no-rule' });
  expect(startingStop(23_000, 1_000, null, null)).toEqual({ kind: 'no-rule' });
});

test('the steps are those of the planned needle, else of the one opened last, else whole mm', () => {
  const item = (id: string, step: number) =>
    recorded(`stock_item/${id}`, { item: 'needle', needle: { gauge: 19, stop_step_um: step } });
  const opened = (id: string) =>
    recorded(`package_opened/${id}`, { item: 'needle', stock_id: `stock_item/${id}` });
  const stock = [item('n1', 5_000), item('n2', 10_000)];
  const planned = recorded('case/c1', { needle: { gauge: 19, stop_step_um: 2_000 } });
  const unplanned = recorded('case/c1', {});

  expect(stopStepUm(planned, [opened('n1')], stock)).toBe(2_000);
  expect(stopStepUm(unplanned, [opened('n1'), opened('n2')], stock)).toBe(10_000);
  expect(
    stopStepUm(unplanned, [opened('n1'), { ...opened('n2'), isEnteredInError: true }], stock),
  ).toBe(5_000);
  expect(stopStepUm(unplanned, [], stock)).toBe(1_000);
  expect(stopStepUm(null, [opened('n3')], stock)).toBe(1_000);
});
