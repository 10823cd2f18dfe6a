/** One package being entered: which item it is of, and when it may be taken. */
import { expect, test } from 'vitest';
import { packagedRuleBook } from '../clinical-rules/packaged-rule-files';
import { TORN_CODE } from '../device/wedge-reader';
import { LabelEntry } from './label-entry.svelte';
import type { Json, RecordState } from './shown';

function item(id: string, set: Record<string, Json>, kind = 'stock_item') {
  const fields = Object.fromEntries(
    Object.entries(set).map(([field, value]) => [
      field,
      { values: [{ value, references: [] }], isConflict: false },
    ]),
  );
  return { record: `${kind}/${id}`, fields, isEnteredInError: false } as unknown as RecordState;
}

const COIL = item('s14', { item: 'coil', name: 'Coil 14', identifiers: ['09521234543213'] });
const SMALL = item('s10', {
  item: 'coil',
  name: 'Coil 10',
  lots: [{ lot: 'L-9', identifier: '00614141123452' }],
});
const NEEDLE = item('n19', { item: 'needle', name: 'Needle 19', identifiers: ['09506000134352'] });
const DEVICE = '0109521234543213';
const LOT = '1727022810AB-123';

interface More {
  kind?: string;
  atHand?: string;
  offered?: string[];
  movements?: RecordState[];
}
const entry = (more: More = {}) =>
  new LabelEntry(() => ({
    todayOn: '2026-11-25',
    ruleBook: packagedRuleBook('2026-11-25'),
    items: [COIL, SMALL, NEEDLE],
    kind: 'coil',
    atHand: '',
    offered: [],
    movements: [],
    ...more,
  }));

test('a label that names one item of the list is taken as it is', () => {
  const label = entry();
  label.takeCodes([DEVICE]);
  expect([label.isWhole, label.take()]).toEqual([false, null]);
  label.takeCodes([LOT, DEVICE]);

  expect(label.isWhole).toBe(true);
  expect(label.take()).toEqual({
    item: COIL,
    device: {
      identifier: '09521234543213',
      lot: 'AB-123',
      expires_on: '2027-02-28',
      raw_label: `${DEVICE}\n${LOT}`,
    },
  });
});

test('an item is also known by the identifier of one of its lots', () => {
  const label = entry();
  label.takeCodes(['010061414112345210L-9']);

  expect(label.item).toBe(SMALL);
});

const delivery = (stock: string, more: Record<string, Json> = {}) =>
  item(
    `m-${stock}`,
    {
      stock,
      device: { identifier: '04012345123456', lot: 'X1' },
      reason: 'delivered',
      change: 3,
      ...more,
    },
    'stock_movement',
  );

/** [HAZ-46] Caught, as it was: a label that was delivered as one coil was taken for another. */
test('a label is of the item that it was delivered as, and no other may be chosen', () => {
  const label = entry({ movements: [delivery('stock_item/s14')] });
  label.takeCodes(['010401234512345610X1']);
  label.choose(SMALL);

  expect([label.doubt, label.item]).toEqual(['', COIL]);
});

test.each([
  {
    what: 'was struck',
    movement: { ...delivery('s14'), isEnteredInError: true },
    doubt: 'unknown',
  },
  {
    what: 'went to another place',
    movement: delivery('s14', { reason: 'expired' }),
    doubt: 'unknown',
  },
  { what: 'is of another kind', movement: delivery('stock_item/n19'), doubt: 'other-kind' },
])('a movement that $what names no item to take', ({ movement, doubt }) => {
  const label = entry({ movements: [movement] });
  label.takeCodes(['010401234512345610X1']);

  expect([label.doubt, label.item]).toEqual([doubt, null]);
});

test('a label that was delivered as two items is asked about', () => {
  const label = entry({ movements: [delivery('s14'), delivery('s10')] });
  label.takeCodes(['010401234512345610X1']);

  expect([label.doubt, label.item]).toEqual(['several', null]);
});

/** Caught a planted bug: the item at hand taken for a label that names another. */
test('a label of an unknown item is of none until a person chooses', () => {
  const label = entry({ atHand: 'stock_item/s14' });
  label.takeCodes(['010401234512345610X1']);
  expect([label.doubt, label.take()]).toEqual(['unknown', null]);

  label.choose(SMALL);
  expect(label.take()?.item).toBe(SMALL);
});

/** [HAZ-46] Caught: the lot of one coil recorded under the name of another. */
test('an item chosen by hand does not outlive a code that names another', () => {
  const label = entry();
  label.takeCodes([LOT]);
  label.choose(SMALL);
  expect(label.take()?.item).toBe(SMALL);
  label.takeCodes([DEVICE]);
  expect(label.take()).toMatchObject({ item: COIL, device: { identifier: '09521234543213' } });
  label.choose(SMALL);
  expect(label.take()?.item).toBe(COIL);
});

test.each([
  ['unknown', '0104012345123456'],
  ['other-kind', '0109506000134352'],
])('nor a code of an item that is %s: it has to be chosen again', (doubt, code) => {
  const label = entry();
  label.takeCodes([LOT]);
  label.choose(SMALL);
  label.takeCodes([code]);
  expect([label.doubt, label.take()]).toEqual([doubt, null]);
  label.choose(SMALL);
  label.takeCodes([code, LOT]);
  expect(label.take()?.item).toBe(SMALL);
});

test('a needle scanned where a coil is asked for is said, and not taken for the coil', () => {
  const label = entry({ atHand: 'stock_item/s14' });
  label.takeCodes(['010950600013435210N1']);

  expect([label.doubt, label.otherNames, label.take()]).toEqual(['other-kind', 'Needle 19', null]);
});

test('another coil than the one whose package is open is said', () => {
  const label = entry({ atHand: 'stock_item/s10', offered: ['stock_item/s10'] });
  label.takeCodes([`${DEVICE}10AB`]);

  expect([label.doubt, label.otherNames]).toEqual(['other-kind', 'Coil 14']);
});

test('a lot typed is of the item at hand; "lot unknown" is enough', () => {
  const label = entry({ atHand: 'stock_item/s14' });
  expect(label.take()).toBeNull();
  label.sayLotUnknown();
  expect(label.take()).toEqual({ item: COIL, device: { lot_unknown: true } });
  label.type({ lot: 'AB-1', expiry: '2027-02' });
  expect(label.take()?.device).toEqual({ lot: 'AB-1', expires_on: '2027-02-28' });
});

test('[HAZ-46] [LT13] a word for "nobody knows" is taken only as that, once somebody says so', () => {
  const label = entry({ atHand: 'stock_item/s14' });
  label.type({ lot: 'n/a', serial: 'none' });
  expect(label.take()).toBeNull();
  expect(label.reading.problems).toHaveLength(2);
  label.type({ serial: '' });
  label.sayLotUnknown();
  expect(label.reading.problems).toEqual([]);
  expect(label.take()?.device).toEqual({ lot_unknown: true });
});

test('what is typed fills in what the code leaves out, and never writes over it', () => {
  const label = entry();
  label.takeCodes([`${DEVICE}10AB`]);
  label.type({ lot: 'XX', expiry: '2027-02' });

  expect(label.take()?.device).toMatchObject({ lot: 'AB', expires_on: '2027-02-28' });
});

test('[HAZ-46] [DL11] of a code whose separator may be lost the lot is typed from the package', () => {
  const label = entry();
  label.takeCodes([`${DEVICE}10AB4417290110`]);
  expect([label.reading.lot, label.hasLot, label.take()]).toEqual(['', false, null]);
  expect(label.reading.problems[0]).toMatch(/^The lot AB4417290110 may end before a field 17/);
  label.type({ lot: 'AB44', expiry: '2029-01-10' });
  expect(label.take()?.device).toMatchObject({ lot: 'AB44', expires_on: '2029-01-10' });
});

test('a code that is no label is said until one is read', () => {
  const label = entry();
  label.takeCodes(['hello']);
  expect(label.refusal).toMatch(/^This is no GS1 or HIBC code/);
  label.takeCodes([]);
  expect(label.refusal).not.toBe('');
  label.takeCodes(['hello', `${DEVICE}10AB`]);
  expect(label.refusal).toBe('');
  label.clear();
  expect([label.isBegun, label.take()]).toEqual([false, null]);
});

test('[HAZ-46] of a code that did not come whole nothing is taken, and it is said to scan', () => {
  const label = entry({ atHand: 'stock_item/s14' });
  label.takeCodes([TORN_CODE]);
  expect(label.refusal).toMatch(/ Scan the code that names device, lot and expiry\.$/);
  expect([label.isBegun, label.take()]).toEqual([false, null]);
});

test('an identifier that is typed names the item, and one with a slip is not taken', () => {
  const label = entry();
  label.typedIdentifier = '09521234543214';
  label.type({ lot: 'L1' });
  label.choose(COIL);

  expect([label.isTypedWrong, label.take()]).toEqual([true, null]);
  label.typedIdentifier = '9521234543213';
  expect(label.take()).toEqual({
    item: COIL,
    device: { identifier: '09521234543213', lot: 'L1' },
  });
  label.clear();
  expect([label.typedIdentifier, label.isBegun]).toEqual(['', false]);
});
