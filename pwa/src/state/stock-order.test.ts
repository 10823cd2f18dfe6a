/** One order of stocked items, wherever one of them is chosen. */
import { expect, test } from 'vitest';
import { packagedRuleBook } from '../clinical-rules/packaged-rule-files';
import { LabelEntry } from './label-entry.svelte';
import { stockOf } from './procedure-plan';
import type { Json, RecordState } from './shown';
import { inStockOrder } from './stock-order';

function record(id: string, set: Record<string, Json>): RecordState {
  const fields = Object.fromEntries(
    Object.entries(set).map(([field, value]) => [
      field,
      { values: [{ value, references: [] }], isConflict: false },
    ]),
  );
  return { record: `stock_item/${id}`, fields, isEnteredInError: false } as unknown as RecordState;
}
const coil = (id: string, loop: number, length: number, name = `Coil ${loop} mm ${length} mm`) =>
  record(id, {
    item: 'coil',
    name,
    coil: { loop_um: loop * 1_000, length_um: length * 1_000, wire_um: 890 },
  });

const ITEMS = [
  record('n', { item: 'needle', name: 'Needle 22 G' }),
  coil('a', 10, 140),
  coil('b', 8, 140),
  coil('c', 10, 70),
  record('x', { item: 'coil', name: 'Coil, size not entered' }),
  coil('d', 14, 140, 'Lot 10'),
  coil('e', 14, 140, 'Lot 9'),
  record('m', { item: 'needle', name: 'Needle 19 G' }),
];
const IN_ORDER = ['b', 'c', 'a', 'e', 'd', 'x'];
const ids = (items: readonly { record: string }[]) =>
  items.map(({ record: name }) => name.replace('stock_item/', ''));

test('coils come by loop, then by length, as numbers; then by name, numbers in it by size', () => {
  expect(ids(inStockOrder(ITEMS))).toEqual([...IN_ORDER, 'm', 'n']);
  expect(ids(inStockOrder([...ITEMS].reverse()))).toEqual([...IN_ORDER, 'm', 'n']);
});

/** Caught, as it stood: a label that names no coil showed them in the order of their records. */
test('whoever chooses the coil of a label, or at the bedside, has that order', () => {
  const entry = new LabelEntry(() => ({
    todayOn: '2026-03-16',
    ruleBook: packagedRuleBook('2026-03-16'),
    items: ITEMS,
    movements: [],
    kind: 'coil',
    offered: [],
    atHand: '',
  }));

  expect(ids(entry.choices)).toEqual(IN_ORDER);
  expect(ids(stockOf(ITEMS, 'coil'))).toEqual(IN_ORDER);
  expect(ids(stockOf(ITEMS, 'needle'))).toEqual(['m', 'n']);
});
