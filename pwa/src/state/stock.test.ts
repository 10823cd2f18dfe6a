/** The shelf and the lay-out list on screen: what is pressed, and what it writes. */
import { expect, test } from 'vitest';
import { AnswerActs } from './answer-acts.svelte';
import type { App } from './app';
import { openBench } from './bedside-bench';
import { CaseRecord } from './case-record.svelte';
import { countsOf } from './close-out';
import { PackageEnds } from './close-out-packages';
import { CaseLayOut } from './lay-out.svelte';
import { missingLots } from './missing-lots';
import { StockDesk } from './stock.svelte';
import { itemFields } from './stock-item';

const STOCK = 'stock_item/s14';

async function openShelf(
  more: { role?: string; dropped?: number; told?: object; unsent?: string[] } = {},
) {
  const bench = await openBench();
  const { role = 'bedside', dropped = 0, told, unsent = [] } = more;
  const store = Object.assign(bench.app.store, {
    droppedCases: async () => Array.from({ length: dropped }, () => ({})),
    // Nothing that was moved here has reached the unit.
    unsentRecords: async () => [
      ...unsent,
      ...bench.store.read({ kind: 'stock_movement' }).map(({ record }) => record),
    ],
    askClinic: async () =>
      told ? { kind: 'told', ...told } : { kind: 'not-told', sentence: 'Not reached.' },
  });
  const app = { ...bench.app, store } as App;
  Object.assign(app.tablet, {});
  if (role === 'booking') {
    Object.defineProperty(app.tablet, 'standing', { value: { role }, configurable: true });
  }
  const desk = new StockDesk(app);
  await bench.pass();
  return { bench, app, desk };
}
type Shelf = Awaited<ReturnType<typeof openShelf>>;

async function deliver({ bench, desk }: Shelf, lot: string, change: number, on = '2028-04-30') {
  const [item] = desk.items;
  if (item === undefined) throw new Error('no item');
  const device = { lot, expires_on: on };
  await desk.move({ item, device, change, id: desk.newId() }, 'delivered', 'Delivered');
  await bench.pass();
}

test('[SK5] [SK1] nobody counted: said; a delivery counts, undone it counts for nothing', async () => {
  const shelf = await openShelf();
  const { desk, bench } = shelf;
  expect(desk.countedBy).toBe('here');
  expect(desk.rows[0]?.counted).toMatchObject({ on_shelf: null });

  await deliver(shelf, 'L-1', 3);
  expect(desk.rows[0]?.counted).toMatchObject({ on_shelf: 3, lots: [{ lot: 'L-1' }] });

  await desk.acts.undo();
  await bench.pass();
  expect(desk.rows[0]?.counted).toMatchObject({ on_shelf: null });
});

test('[HAZ-14] the same form pressed twice delivers once', async () => {
  const { desk, bench } = await openShelf();
  const [item] = desk.items;
  if (item === undefined) throw new Error('no item');
  const movement = { item, device: { lot: 'L-1' }, change: 3, id: 'm1' };

  await Promise.all([
    desk.move(movement, 'delivered', 'Delivered'),
    desk.move(movement, 'delivered', 'Delivered'),
  ]);
  await bench.pass();

  expect(bench.store.read({ kind: 'stock_movement' })).toHaveLength(1);
});

test('a new item has what its kind needs, and a plan counts with none of it before a person says so', async () => {
  const coil = { kind: 'coil', name: ' Coil 8 mm ', chosen: '' } as const;
  const sizes = { loop_um: 8_000, wire_um: 889, length_um: 140_000 };
  expect(itemFields({ ...coil, numbers: { loop_um: 8_000, wire_um: 889 } })).toBeNull();
  expect(itemFields({ ...coil, name: ' ', numbers: sizes })).toBeNull();
  expect(itemFields({ kind: 'needle', name: 'Needle', chosen: '', numbers: {} })).toBeNull();
  expect(itemFields({ kind: 'needle', name: 'Needle', chosen: '19', numbers: {} })).toEqual({
    item: 'needle',
    name: 'Needle',
    needle: { gauge: 19 },
  });
  const fields = itemFields({ ...coil, numbers: sizes });
  expect(fields).toEqual({ item: 'coil', name: 'Coil 8 mm', coil: sizes, count: 0 });

  const shelf = await openShelf();
  await shelf.desk.addItem('n1', fields ?? {}, 'Added');
  await shelf.bench.pass();
  expect(shelf.desk.rows.map(({ name }) => name)).toEqual(['Coil 8 mm', 'Coil 14 mm']);
});

test('a plan that counts with another number than is usable is said, and taken over by a press', async () => {
  const shelf = await openShelf();
  await deliver(shelf, 'L-1', 4);
  const [differing] = shelf.desk.differing;
  expect(differing).toMatchObject({ count: 6, usable: 4 });

  if (differing) shelf.desk.answerItem(differing.state, 'count', differing.usable, 'Taken over');
  await shelf.bench.pass();
  expect(shelf.desk.differing).toEqual([]);
});

test('an identifier is remembered once and forgotten again', async () => {
  const { desk, bench } = await openShelf();
  const remember = async (identifier: string) => {
    const [item] = desk.items;
    if (item) desk.rememberIdentifier(item, identifier, 'Remembered');
    await bench.pass();
  };
  await remember('00400000100012');
  await remember('00400000100012');
  await remember('00400000100029');
  const held = () => bench.store.read({ kind: 'stock_item' })[0]?.fields.identifiers?.values;
  expect(held()?.map(({ value }) => value)).toEqual([['00400000100012', '00400000100029']]);

  const [item] = desk.items;
  if (item) desk.forgetIdentifier(item, '00400000100012', 'Forgotten');
  await bench.pass();
  expect(held()?.map(({ value }) => value)).toEqual([['00400000100029']]);
});

test('a tablet without old cases says so; a desk without cases asks the unit', async () => {
  const told = { items: [], names: {}, near_expiry_days: 90 };

  expect((await openShelf({ dropped: 2 })).desk.countedBy).toBe('partly');
  expect((await openShelf({ dropped: 2, told })).desk.countedBy).toBe('unit');
  const desk = (await openShelf({ role: 'booking' })).desk;
  expect([desk.countedBy, desk.answer, desk.notTold]).toEqual(['nobody', null, 'Not reached.']);
  expect((await openShelf({ role: 'booking', told })).desk.countedBy).toBe('unit');
});

/** Caught, as it stood: a difference was written against the unit's number, without what waits here. */
test('[HAZ-14] a count is entered only against a number that is whole and of now', async () => {
  const mayCount = async (more: { role?: string; dropped?: number; told?: object }) => {
    const { desk } = await openShelf(more);
    const [item] = desk.items;
    return item !== undefined && desk.mayCount(item);
  };
  const told = { items: [], names: {}, near_expiry_days: 90 };
  expect(await mayCount({})).toBe(true);
  expect(await mayCount({ dropped: 2 })).toBe(false);
  expect(await mayCount({ role: 'booking' })).toBe(false);
  expect(await mayCount({ role: 'booking', told })).toBe(true);

  const shelf = await openShelf({ dropped: 2, told });
  const [item] = shelf.desk.items;
  if (item === undefined) throw new Error('no item');
  expect(shelf.desk.mayCount(item)).toBe(true);
  await deliver(shelf, 'L-1', 3);
  expect(shelf.desk.mayCount(item)).toBe(false);

  // What waited when the unit was asked is in no answer of it.
  const waiting = await openShelf({ dropped: 2, told, unsent: ['stock_item/s14'] });
  expect(waiting.desk.items.map((one) => waiting.desk.mayCount(one))).toEqual([false]);
});

/** Caught, as it stood: each was said to be of unknown lot, so that nobody asked for the lot. */
test('[HAZ-46] packages laid out without a known lot say nothing of their label: the lot is asked', async () => {
  const shelf = await openShelf();
  const { bench, app, desk } = shelf;
  const [item] = desk.items;
  if (item === undefined) throw new Error('no item');
  await desk.move({ item, device: { serial: 'S1' }, change: 3, id: 'm1' }, 'delivered', 'Came');
  await bench.pass();
  const record = new CaseRecord(app.store, 'c1');
  const list = new CaseLayOut(app, record, new AnswerActs(app), shelf.desk);
  await bench.pass();
  const line = list.lines.find(({ stock_id }) => stock_id === STOCK);
  expect(line?.lots).toEqual([{ lot: null, expires_on: null, take: 2 }]);
  if (line) await list.layOut(line, 'Laid out');
  await bench.pass();

  const packages = record.all('package_opened');
  expect(packages.map(({ fields }) => fields.device)).toEqual([undefined, undefined]);
  const used = { packages, coils: [], punctures: [], adhesives: [] };
  expect(missingLots(used)).toHaveLength(2);
  expect(desk.rows[0]?.counted).toMatchObject({ on_shelf: 1, without_lot: 1 });
});

test('[SK12] [SK14] a line laid out opens its packages once; returned, they lie on the shelf', async () => {
  const shelf = await openShelf();
  const { bench, app } = shelf;
  await deliver(shelf, 'L-2', 2, '2028-04-30');
  await deliver(shelf, 'L-1', 1, '2027-11-30');
  const record = new CaseRecord(app.store, 'c1');
  const acts = new AnswerActs(app);
  const list = new CaseLayOut(app, record, acts, shelf.desk);
  await bench.pass();
  const coils = () => list.lines.find(({ stock_id }) => stock_id === STOCK);

  const line = coils();
  expect(line).toMatchObject({ needed: 1, spare: 1, on_shelf: 3, short: 0 });
  expect(line?.lots.map(({ lot, take }) => [lot, take])).toEqual([
    ['L-1', 1],
    ['L-2', 1],
  ]);
  if (line) await Promise.all([list.layOut(line, 'Laid out'), list.layOut(line, 'Laid out')]);
  await bench.pass();
  expect(bench.standing('package_opened')).toBe(2);
  expect(coils()).toMatchObject({ laid_out: 2, on_shelf: 1, lots: [], short: 0 });

  // At close-out one press gives both back.
  const [count] = countsOf(record.all('package_opened'), []);
  expect(count).toMatchObject({ opened: 2, agrees: false });
  await new PackageEnds(app, 'case/c1', acts).returnAll(count?.open ?? [], 'Returned');
  await bench.pass();
  expect(countsOf(record.all('package_opened'), [])[0]).toMatchObject({
    opened: 2,
    returned: 2,
    agrees: true,
  });
  expect(shelf.desk.rows[0]?.counted).toMatchObject({ on_shelf: 3 });
  expect(coils()).toMatchObject({ laid_out: 0, on_shelf: 3 });
});
