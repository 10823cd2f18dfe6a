/** Whatever was used without a lot is listed until one is added or said to be unknown. */
import { expect, test } from 'vitest';
import { lotsLeftOut } from './close-out';
import { lotDrafts, missingLots, type UsedThings } from './missing-lots';
import type { Json, RecordState } from './shown';

function record(name: string, set: Record<string, Json>) {
  const fields = Object.fromEntries(
    Object.entries(set).map(([field, value]) => [
      field,
      { values: [{ value, references: [`${name} ${field}`] }], isConflict: false },
    ]),
  );
  return { record: name, fields, isEnteredInError: false } as unknown as RecordState;
}

const LOT = { lot: 'L-2201' };
const pack = (id: string, more: Record<string, Json>) =>
  record(`package_opened/${id}`, { stock_id: 'stock_item/s14', fate: 'used', ...more });
const NONE: UsedThings = { packages: [], coils: [], punctures: [], adhesives: [] };
const given = {
  caseRecord: 'case/c1',
  stock: 'stock_item/n19',
  device: { lot: 'N-1' },
  id: 'i1',
  at: '2026-03-16T08:00:00Z',
};

test('a coil without a lot is one thing with its package; the lot goes to both', () => {
  const coils = [record('coil_placed/c', { package: 'package_opened/p' })];
  const packages = [pack('p', { item: 'coil', fate: 'placed' })];
  const missing = missingLots({ ...NONE, coils, packages });

  expect(missing).toMatchObject([{ key: 'coil_placed/c', item: 'coil', stock: 'stock_item/s14' }]);
  const [one] = missing;
  if (one === undefined) throw new Error('nothing is missing');
  expect(lotDrafts(one, given).map(({ record, set }) => [record, set])).toEqual([
    ['coil_placed/c', { device: { lot: 'N-1' } }],
    ['package_opened/p', { device: { lot: 'N-1' } }],
  ]);
});

/** Caught a planted bug: the lot of the package written over by that of its coil. */
test('a package whose lot is known keeps it', () => {
  const coils = [record('coil_placed/c', { package: 'package_opened/p' })];
  const [one] = missingLots({
    ...NONE,
    coils,
    packages: [pack('p', { item: 'coil', device: LOT })],
  });
  if (one === undefined) throw new Error('nothing is missing');

  expect(lotDrafts(one, given).map(({ record }) => record)).toEqual(['coil_placed/c']);
});

test('"lot unknown" is an answer, and what was returned or is in error is not asked for', () => {
  const packages = [
    pack('a', { item: 'needle', device: { lot_unknown: true } }),
    pack('b', { item: 'coil', fate: 'returned' }),
    { ...pack('c', { item: 'coil' }), isEnteredInError: true },
  ];

  expect(missingLots({ ...NONE, packages })).toEqual([]);
});

test('a needle of which no package was recorded gets one with its lot', () => {
  const used = { ...NONE, punctures: [record('puncture/p', { number: 1 })] };
  const [one] = missingLots(used);
  if (one === undefined) throw new Error('nothing is missing');

  expect(one).toMatchObject({ key: 'needle', opened: null });
  expect(lotDrafts(one, given)).toEqual([
    {
      draftId: 'package_opened-i1',
      record: 'package_opened/i1',
      set: {
        case: 'case/c1',
        item: 'needle',
        stock_id: 'stock_item/n19',
        device: { lot: 'N-1' },
        at: '2026-03-16T08:00:00Z',
        fate: 'used',
      },
    },
  ]);
});

test('whatever the remark of the last step names can be entered here', () => {
  const bare = {
    packages: [pack('a', { item: 'adhesive' })],
    coils: [record('coil_placed/c', {})],
    punctures: [record('puncture/p', { number: 1 })],
    adhesives: [record('adhesive_injected/i', {})],
  };

  expect(lotsLeftOut(bare)).toEqual(['coil', 'needle', 'adhesive']);
  expect(
    missingLots(bare)
      .map(({ item }) => item)
      .sort(),
  ).toEqual(['adhesive', 'coil', 'needle']);
});
