/** What is remarked on a package: each once, of a lot that was delivered, not recalled. */
import { expect, test } from 'vitest';
import { type KnownPackages, type PackageAtHand, packageFacts } from './label-facts';
import type { Json, RecordState } from './shown';

const TODAY = '2026-03-16';

function record(name: string, set: Record<string, Json>, more: Partial<RecordState> = {}) {
  const fields = Object.fromEntries(
    Object.entries(set).map(([field, value]) => [
      field,
      { values: [{ value, references: [] }], isConflict: false },
    ]),
  );
  return { record: name, fields, isEnteredInError: false, ...more } as unknown as RecordState;
}

const COIL: PackageAtHand = {
  item: 'coil',
  stock: 'stock_item/s14',
  identifier: '09521234543213',
  lot: 'AB-7',
  serial: 'SN1',
  expiresOn: '2027-02-28',
};
const NONE: KnownPackages = {
  packages: [],
  movements: [],
  recalls: [],
  items: [record('stock_item/s14', { identifiers: ['09521234543213'] })],
  lookAlikes: new Map([['O', '0']]),
};
const DAYS = { device_expires_on: '2027-02-28', today_on: TODAY };

const opened = (device: Record<string, Json>, more: Record<string, Json> = {}) =>
  record('package_opened/p1', { item: 'coil', stock_id: 'stock_item/s14', device, ...more });
const moved = (change: number, lot = 'AB-7') =>
  record('stock_movement/m1', { stock: 'stock_item/s14', device: { lot }, change });
const recall = (criteria: Record<string, Json>, more: Record<string, Json> = {}) =>
  record('recall_notice/r1', {
    item: 'coil',
    criteria,
    reason: 'seal may leak',
    state: 'in-force',
    ...more,
  });
const facts = (known: Partial<KnownPackages>, atHand: Partial<PackageAtHand> = {}) =>
  packageFacts({ ...COIL, ...atHand }, { ...NONE, ...known }, TODAY);

test('a package of which nothing is known raises nothing but its date', () => {
  expect(facts({})).toEqual(DAYS);
  expect(facts({}, { expiresOn: '' })).toEqual({});
});

/** Caught a planted bug: serial numbers compared over all items, so that another maker's matched. */
test('[GT17] a serial number is of one package of its item, however it is written', () => {
  const again = { ...DAYS, serial_opened_before: 'SN1' };

  expect(facts({ packages: [opened({ identifier: COIL.identifier, serial: 'sn-1' })] })).toEqual(
    again,
  );
  expect(facts({ packages: [opened({ serial: 'SN1' })] })).toEqual(again);
  expect(facts({ packages: [opened({ identifier: '00614141123452', serial: 'SN1' })] })).toEqual(
    DAYS,
  );
  expect(facts({ packages: [opened({ serial: 'SN2' })] })).toEqual(DAYS);
  const other = opened({ serial: 'SN1' }, { stock_id: 'stock_item/s10' });
  expect(facts({ packages: [other] })).toEqual(DAYS);
});

test('a package put back unopened, or entered in error, was not opened', () => {
  const packages = [opened({ serial: 'SN1' }, { fate: 'returned' })];

  expect(facts({ packages })).toEqual(DAYS);
  expect(facts({ packages: [{ ...opened({ serial: 'SN1' }), isEnteredInError: true }] })).toEqual(
    DAYS,
  );
});

test('[GT17] packages of a lot are held against what was delivered and written off', () => {
  const packages = [opened({ lot: 'ab 7' }), opened({ lot: 'AB-7' }), opened({ lot: 'AB-8' })];
  const count = (movements: RecordState[]) => facts({ packages, movements }).lot_count;

  expect(count([moved(3)])).toEqual({ lot: 'AB-7', delivered: 3, opened: 3 });
  expect(count([moved(3), moved(-1)])).toEqual({ lot: 'AB-7', delivered: 2, opened: 3 });
  expect(count([moved(-1)])).toEqual({ lot: 'AB-7', delivered: 0, opened: 3 });
  expect(count([moved(9, 'AB-8')])).toBeUndefined();
  expect(count([])).toBeUndefined();
});

test.each([
  [{ lots: ['ab7'] }, true],
  [{ lots: ['AB-8', 'AB-7'] }, true],
  [{ lots: ['AB-8'] }, false],
  [{ identifier: '9521234543213' }, true],
  [{ identifier: '09521234543213', lots: ['AB-8'] }, false],
  [{ expires_from: '2027-02-28', expires_to: '2027-02-28' }, true],
  [{ expires_from: '2027-03-01' }, false],
  [{ expires_to: '2027-02-27' }, false],
  [{}, true],
] as [Record<string, Json>, boolean][])('[GT17] a recall of %j: %s', (criteria, isRecalled) => {
  const name = 'lots' in criteria ? 'AB-7' : COIL.identifier;
  const found = facts({ recalls: [recall(criteria)] }).device_recalls;

  expect(found).toEqual(isRecalled ? [{ name, reason: 'seal may leak' }] : undefined);
});

test('a recall that was withdrawn, or is of needles, is none of this coil', () => {
  const criteria = { lots: ['AB-7'] };

  expect(facts({ recalls: [recall(criteria, { state: 'withdrawn' })] })).toEqual(DAYS);
  expect(facts({ recalls: [recall(criteria, { item: 'needle' })] })).toEqual(DAYS);
});

/** Caught a planted bug: the identifiers of the list left out, so that a typed lot met any recall. */
test('a lot that was typed is of the identifiers of its item', () => {
  const typed = { identifier: '', expiresOn: '' };
  const own = recall({ identifier: '9521234543213', lots: ['AB-7'] });
  const other = recall({ identifier: '00614141123452', lots: ['AB-7'] });

  expect(facts({ recalls: [own] }, typed).device_recalls).toHaveLength(1);
  expect(facts({ recalls: [other] }, typed)).toEqual({});
  // Whose lot nobody knows may be of the notice (SK8).
  expect(facts({ recalls: [own] }, { ...typed, lot: '' }).device_recalls).toHaveLength(1);
});

/** Caught, as it stood: the notice named the item by the other identifier of its list. */
test('[GT17] a recall by any identifier of the item meets a package scanned by another', () => {
  const items = [record('stock_item/s14', { identifiers: ['09521234543213', 'H123ABC1'] })];
  const notice = recall({ identifier: '9521234543213', lots: ['AB-7'] });
  const scanned = { identifier: 'H123ABC1' };

  expect(facts({ items, recalls: [notice] }, scanned).device_recalls).toHaveLength(1);
  expect(facts({ recalls: [recall({ identifier: '00614141123452' })] })).toEqual(DAYS);
});

/** Caught, as it stood: a lot that was typed had no date, though its delivery told one. */
test('[SOFT-12] a lot typed without a date takes the earliest one it was delivered with', () => {
  const came = (expires_on: string, lot = 'ab 7', more: Partial<RecordState> = {}) =>
    record('stock_movement/m', { stock: 's14', device: { lot, expires_on } }, more);
  const movements = [
    came('2026-05-31'),
    came('2026-01-31'),
    came('2025-01-31', 'AB-8'),
    came('2024-01-31', 'ab 7', { isEnteredInError: true }),
  ];
  const dateOf = (atHand: Partial<PackageAtHand>) => facts({ movements }, atHand).device_expires_on;

  expect(dateOf({ expiresOn: '' })).toBe('2026-01-31');
  expect(dateOf({})).toBe('2027-02-28');
  expect(dateOf({ expiresOn: '', lot: '' })).toBeUndefined();
  expect(dateOf({ expiresOn: '', stock: 'stock_item/s10' })).toBeUndefined();
});

/**
 * Caught, as it stood: a lot that was typed could be used as any item. And planted bugs: a lot
 * that the chosen item has as well told as another's, look-alikes taken for two lots, and what was
 * written off taken for what came.
 */
test('[GT17] [LT2] [HAZ-46] a lot is told with the items that the unit has it as', () => {
  const s10 = record('stock_item/s10', { name: 'Coil 10 mm', item: 'coil' });
  const s14 = record('stock_item/s14', { name: 'Coil 14 mm', identifiers: [COIL.identifier] });
  const items = [s10, s14];
  const came = (stock: string, more: Record<string, Json> = {}, lot = 'B0-7') =>
    record('stock_movement/m', { stock, device: { lot }, reason: 'delivered', change: 2, ...more });
  const typed = { identifier: '', lot: 'bo 7', serial: '' };
  const known = (more: Partial<KnownPackages>, atHand: Partial<PackageAtHand> = {}) =>
    facts({ items, ...more }, { ...typed, ...atHand }).lot_known_as;
  const asOther = {
    lot: 'bo 7',
    chosen: { stock: 'stock_item/s14', name: 'Coil 14 mm' },
    items: [{ stock: 'stock_item/s10', name: 'Coil 10 mm' }],
  };

  expect(known({ movements: [came('stock_item/s10')] })).toEqual(asOther);
  expect(known({ movements: [came('s10', { reason: 'counted' })] })).toEqual(asOther);
  const both = known({ movements: [came('stock_item/s10'), came('stock_item/s14')] });
  expect(both?.items.map(({ stock }) => stock)).toContain(both?.chosen.stock);
  // By the list of an item, where no delivery was entered.
  const listed = record('stock_item/s10', { name: 'Coil 10 mm', lots: ['B07'] });
  expect(known({ items: [listed, s14] })).toEqual(asOther);

  expect(known({ movements: [] })).toBeUndefined();
  expect(known({ movements: [came('stock_item/s10')] }, { lot: '' })).toBeUndefined();
  expect(known({ movements: [came('stock_item/s10', {}, 'B0-8')] })).toBeUndefined();
  expect(known({ movements: [came('s10', { reason: 'written-off' })] })).toBeUndefined();
  expect(known({ movements: [came('s10', { reason: 'counted', change: 0 })] })).toBeUndefined();
  const struck = { ...came('stock_item/s10'), isEnteredInError: true };
  expect(known({ movements: [struck] })).toBeUndefined();
});

/** Caught a planted bug: lots of two makers that bear one number told of each other's packages. */
test('[GT17] an identifier of the chosen item tells more than a lot', () => {
  const items = [
    record('stock_item/s10', { name: 'Coil 10 mm' }),
    record('stock_item/s14', { name: 'Coil 14 mm', identifiers: [COIL.identifier] }),
  ];
  const movements = [
    record('stock_movement/m', { stock: 's10', device: { lot: 'AB-7' }, reason: 'delivered' }),
  ];

  expect(facts({ items, movements }).lot_known_as).toBeUndefined();
  const strange = facts({ items, movements }, { identifier: '00614141123452' });
  expect(strange.lot_known_as?.items).toHaveLength(1);
});
