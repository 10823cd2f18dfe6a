import { expect, test } from 'vitest';
import type { DeskPort } from '../desk-questions';
import { UnitDesk } from './unit-desk.svelte';
import { UnitsOfRule } from './units-of-rule.svelte';

const unit = (id: string, count: number | null) => ({
  unit: id,
  name: `Ward ${id}`,
  cases: 40,
  counts: { 'not-signed': count, 'lot-missing': 9 },
});

function hubOf(pages: unknown[]) {
  const asked: unknown[] = [];
  const port = {
    ask: async (question: string, asks: unknown) => {
      asked.push([question, asks]);
      await Promise.resolve();
      const found = pages.shift();
      return typeof found === 'string'
        ? { kind: 'not-told', sentence: found }
        : { kind: 'told', answer: found };
    },
  } as unknown as DeskPort;
  return { asked, desk: new UnitDesk(port, () => 0, 'hub') };
}

/** Caught: the counts of all units for all rules came at once, 12 MB of a hundred units. */
test('[DM-03] the units of a rule come page after page, each after the last one shown', async () => {
  const { asked, desk } = hubOf([
    { units: [unit('a', 7), unit('b', null)], more: true },
    'The hub is away.',
    { units: [unit('c', 5)], more: false },
  ]);
  const rule = new UnitsOfRule(desk, 'not-signed');
  expect(rule.more).toBeNull();
  await rule.loadMore();
  expect([rule.units.map(({ count }) => count), rule.more]).toEqual([[7, null], true]);

  await rule.loadMore();
  expect([rule.units.length, rule.more, rule.refusal]).toEqual([2, true, 'The hub is away.']);
  expect(desk.notTold).toBe('');

  await rule.loadMore();
  await rule.loadMore();
  expect([rule.units.map((one) => one.unit), rule.more, rule.refusal]).toEqual([
    ['a', 'b', 'c'],
    false,
    '',
  ]);
  expect(asked).toEqual([
    ['network-quality', { rule: 'not-signed', after: '' }],
    ['network-quality', { rule: 'not-signed', after: 'b' }],
    ['network-quality', { rule: 'not-signed', after: 'b' }],
  ]);
});
