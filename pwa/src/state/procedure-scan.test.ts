/** A package scanned at its step: one record, each once, its raw code kept; remarks that ask why. */
import { expect, test } from 'vitest';
import { primaryOf } from '../screens/procedure/primary';
import { type Bench, openBench } from './bedside-bench';
import { LabelEntry } from './label-entry.svelte';
import { labelRemarks, whyUsed } from './procedure-at-hand';
import { lotOfDevice } from './procedure-plan';
import { shown, structureOf, textOf } from './shown';

const CODE = ']d201095212345432131728043010L-0417-A\u001d21SN1';

/** Scan a code at a step as the screen does, and take its label. */
async function scan(bench: Bench, stepId: string, code: string): Promise<void> {
  const { session } = bench;
  const step = session.steps.find(({ id }) => id === stepId);
  if (step === undefined) throw new Error(`no step ${stepId}`);
  if (session.step?.id !== stepId) session.jumpTo(step);
  const entry = new LabelEntry(() => ({
    todayOn: session.todayOn,
    ruleBook: bench.app.ruleBook,
    items: session.stockItems,
    movements: [],
    kind: 'coil',
    offered: [],
    atHand: '',
  }));
  entry.takeCodes([code]);
  const taken = entry.take();
  const stock = session.coils.find(({ record }) => record === taken?.item.record);
  if (taken === null || stock === undefined) throw new Error('not taken');
  session.answer({ stock, lot: lotOfDevice(taken.device), why: {} });
}

async function benchWithIdentifier(): Promise<Bench> {
  const bench = await openBench();
  await bench.app.tablet.save([
    {
      draftId: 'identifier',
      record: 'stock_item/s14',
      set: { identifiers: ['09521234543213'] },
    },
  ]);
  await bench.settle();
  return bench;
}

const press = async (bench: Bench) => {
  await primaryOf(bench.session, () => undefined).press();
  await bench.pass();
};
const packages = (bench: Bench) => bench.store.read({ kind: 'package_opened', parent: 'case/c1' });

/** Caught a planted bug: `rawLabel` left out of `deviceOf`. */
test('a coil scanned and placed holds its code, in the package and in the coil', async () => {
  const bench = await benchWithIdentifier();
  await scan(bench, 'package_opened', CODE);
  expect(labelRemarks(bench.session)).toEqual([]);
  await press(bench);
  const formed = bench.session.steps.find(({ id }) => id === 'coil_formed');
  if (formed) bench.session.jumpTo(formed);
  await press(bench);

  const device = {
    identifier: '09521234543213',
    lot: 'L-0417-A',
    serial: 'SN1',
    expires_on: '2028-04-30',
    raw_label: CODE,
  };
  const [opened] = packages(bench);
  const [coil] = bench.store.read({ kind: 'coil_placed', parent: 'case/c1' });
  expect(structureOf(opened, 'device')).toEqual(device);
  expect([textOf(opened, 'stock_id'), textOf(opened, 'fate')]).toEqual([
    'stock_item/s14',
    'placed',
  ]);
  expect(structureOf(coil, 'device')).toEqual(device);
  expect(textOf(coil, 'package')).toBe(opened?.record);
});

/** Caught a planted bug: the serial looked for in the case on screen alone. */
test('[GT17] [GT18] a label opened before waits for a reason, which is recorded', async () => {
  const bench = await benchWithIdentifier();
  await bench.app.tablet.save([
    { draftId: 'case', record: 'case/c2', set: { patient: 'patient/p1' } },
    {
      draftId: 'package',
      record: 'package_opened/other',
      set: {
        case: 'case/c2',
        item: 'coil',
        stock_id: 'stock_item/s14',
        device: { identifier: '09521234543213', lot: 'L-0417-A', serial: 'SN1' },
        fate: 'placed',
      },
    },
  ]);
  await bench.settle();
  await scan(bench, 'package_opened', CODE);

  const causes = labelRemarks(bench.session).map(({ gate }) => gate.cause);
  expect(causes).toEqual(['SOFT-14 serial_opened_before SN1']);
  expect(primaryOf(bench.session, () => undefined)).toMatchObject({
    words: 'Say why first',
    isBlocked: true,
  });
  expect(whyUsed(bench.session)).toBeNull();
  await press(bench);
  expect(bench.standing('package_opened')).toBe(0);

  bench.session.answer({ why: { 'SOFT-14 serial_opened_before SN1': 'label-misread' } });
  await press(bench);
  expect(bench.standing('package_opened')).toBe(1);
  const [event] = bench.store.read({ kind: 'step_event', parent: 'case/c1' });
  expect(structureOf(event ?? null, 'answers')).toMatchObject({
    used_because: [{ cause: 'SOFT-14 serial_opened_before SN1', reason: 'label-misread' }],
  });
});

test('[GT17] more packages of a lot than were delivered ask why', async () => {
  const bench = await benchWithIdentifier();
  await bench.app.tablet.save([
    {
      draftId: 'delivery',
      record: 'stock_movement/m1',
      set: { stock: 'stock_item/s14', device: { lot: 'L-0417-A' }, change: 1, reason: 'delivered' },
    },
  ]);
  await bench.settle();
  await scan(bench, 'package_opened', CODE);
  expect(labelRemarks(bench.session)).toEqual([]);
  await press(bench);

  await scan(bench, 'package_opened', CODE.replace('SN1', 'SN2'));
  expect(labelRemarks(bench.session).map(({ gate }) => gate.text)).toEqual([
    'Lot L-0417-A: 2 opened, 1 delivered. Check the label, or say why.',
  ]);
});

/** Caught, as it stood: the primary action took a typed lot of a 10 mm coil as one of 14 mm. */
test('[GT17] [GT18] a lot that was delivered as another item waits for a reason', async () => {
  const bench = await openBench();
  await bench.app.tablet.save([
    {
      draftId: 'item',
      record: 'stock_item/s10',
      set: { item: 'coil', name: 'Coil 10 mm' },
    },
    {
      draftId: 'delivery',
      record: 'stock_movement/m1',
      set: { stock: 'stock_item/s10', device: { lot: 'L-77' }, change: 1, reason: 'delivered' },
    },
  ]);
  await bench.settle();
  const step = bench.session.steps.find(({ id }) => id === 'package_opened');
  if (step) bench.session.jumpTo(step);
  const stock = bench.session.coils.find(({ record }) => record === 'stock_item/s14') ?? null;
  bench.session.answer({ stock, lot: { lot: 'L77', identifier: '', expiresOn: '' } });

  const cause = 'SOFT-14 lot_of_other_item L77';
  expect(labelRemarks(bench.session).map(({ gate }) => gate.text)).toEqual([
    `Lot L77: known as Coil 10 mm, not ${stock?.name}. Check the package, or say why.`,
  ]);
  await press(bench);
  expect(bench.standing('package_opened')).toBe(0);

  bench.session.answer({ why: { [cause]: 'lot-of-both' } });
  await press(bench);
  expect(bench.standing('package_opened')).toBe(1);
  // Said once: the coil of that package is placed without asking again.
  const formed = bench.session.steps.find(({ id }) => id === 'coil_formed');
  if (formed) bench.session.jumpTo(formed);
  expect(labelRemarks(bench.session)).toEqual([]);
});

test('[GT18] "lot unknown" asks nothing: there is no package to hold it against', async () => {
  const bench = await benchWithIdentifier();
  const step = bench.session.steps.find(({ id }) => id === 'package_opened');
  if (step) bench.session.jumpTo(step);
  bench.session.answer({ stock: bench.session.coils[0] ?? null, lot: null });
  await press(bench);

  expect(shown(packages(bench)[0] ?? null, 'device')).toEqual({ lot_unknown: true });
});
