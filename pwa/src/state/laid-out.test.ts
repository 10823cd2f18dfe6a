/** Packages laid out from the list are the ones that the bedside opens: none is counted twice. */
import { expect, test } from 'vitest';
import { primaryOf } from '../screens/procedure/primary';
import { type Bench, openBench } from './bedside-bench';
import { countsOf } from './close-out';
import { laidOutPackages, packageInUse, packagesBySerial, takeLaidOut } from './laid-out';
import { missingLots } from './missing-lots';
import {
  labelFacts,
  labelRemarks,
  needsNeedle,
  serialChoice,
  waitsForSerial,
  whyUsed,
} from './procedure-at-hand';
import { type Json, type RecordState, structureOf, textOf } from './shown';

function recorded(record: string, set: Record<string, Json>, isEnteredInError = false) {
  const fields = Object.fromEntries(
    Object.entries(set).map(([field, value]) => [
      field,
      { values: [{ value, references: [record], by: '', stamp: '1' }], isConflict: false },
    ]),
  );
  return { record, fields, struck: [], isEnteredInError, heads: [] } as RecordState;
}
const laid = (id: string, lot: string, expires_on: string, fate = 'open') =>
  recorded(`package_opened/${id}`, {
    item: 'coil',
    fate,
    stock_id: 'stock_item/s14',
    device: { lot, expires_on },
  });

test('[SK14] on the table lies what no coil and no step has taken', () => {
  const [a, b, c] = [laid('a', 'L', ''), laid('b', 'L', ''), laid('c', 'L', '')];
  const coil = recorded('coil_placed/1', { package: a.record });
  const event = recorded('step_event/2', {
    step: 'package_opened',
    answers: { package: b.record },
  });

  expect(laidOutPackages([a, b, c], [coil], [event])).toEqual([c]);
  expect(laidOutPackages([a], [{ ...coil, isEnteredInError: true }], [])).toEqual([a]);
  expect(laidOutPackages([laid('d', 'L', '', 'returned')], [], [])).toEqual([]);
});

test('[SK13] the oldest use-by date goes first, a lot that was pressed before it', () => {
  const [old, young] = [laid('y', 'L-0388', '2027-11-30'), laid('a', 'L-0417', '2028-04-30')];
  const named = (lot: string | null | undefined) =>
    lot === undefined || lot === null ? lot : { lot };
  const take = (lot: string | null | undefined) =>
    takeLaidOut([young, old], 'stock_item/s14', named(lot))?.record ?? null;

  expect(take('l0417')).toBe(young.record);
  expect(take('l0388')).toBe(old.record);
  expect(take('L-9')).toBeNull();
  expect(take(null)).toBeNull();
  expect(takeLaidOut([young], 'stock_item/s14', undefined)).toBe(young);
  expect(takeLaidOut([young], 'stock_item/s16', undefined)).toBeNull();
  const older = laid('z', 'l 0417', '2027-11-30');
  expect(takeLaidOut([young, older], 'stock_item/s14', undefined)).toBe(older);
});

/** Caught, as it stood: the oldest lot was recorded of a coil of which nobody had named the lot. */
test('[SK13] of two lots on the table none is taken until somebody says which', () => {
  const table = [laid('a', 'L-0417', '2028-04-30'), laid('y', 'L-0388', '2027-11-30')];

  expect(takeLaidOut(table, 'stock_item/s14', undefined)).toBeNull();
  expect(takeLaidOut([...table, laid('z', '', '')], 'stock_item/s14', undefined)).toBeNull();
  expect(takeLaidOut(table, 'stock_item/s14', { lot: 'L-0388' })?.record).toBe('package_opened/y');
});

/** Caught, as it stood: the scan opened a second package beside the one without a lot. */
test('[SK18] a lot that is scanned names the package laid out without one', () => {
  const [nameless, named] = [laid('n', '', ''), laid('a', 'L-0417', '2028-04-30')];
  const take = (table: RecordState[], lot: string) => takeLaidOut(table, 'stock_item/s14', { lot });

  expect(take([nameless], 'L-0388')).toBe(nameless);
  expect(take([nameless, named], 'L-0417')).toBe(named);
  expect(take([named], 'L-0388')).toBeNull();
});

test('the ampoule in use is that of the latest aliquot, one thrown away or put back is none', () => {
  const ampoule = (id: string, fate = 'used') =>
    recorded(`package_opened/${id}`, { item: 'adhesive', fate });
  const aliquot = (id: string, taken = '') =>
    recorded(`step_event/${id}`, {
      step: 'aliquot_ready',
      ...(taken === '' ? {} : { answers: { package: taken } }),
    });
  // Laid out before, taken up after the other: its id is the older one.
  const [table, opened] = [ampoule('a'), ampoule('i1')];
  const events = [aliquot('i1'), aliquot('i2', table.record), aliquot('i3')];

  expect(packageInUse(events, [table, opened])).toBe(table);
  expect(packageInUse(events.slice(0, 1), [table, opened])).toBe(opened);
  expect(packageInUse(events, [ampoule('a', 'returned'), opened])).toBe(opened);
  expect(packageInUse(events, [ampoule('a', 'discarded'), ampoule('i1', 'discarded')])).toBeNull();
  expect(packageInUse([aliquot('i3')], [table, opened])).toBeNull();
  const undone = events.map((event) => ({ ...event, isEnteredInError: true }));
  expect(packageInUse(undone, [table, opened])).toBeNull();
});

async function passStep(bench: Bench, id: string, more = {}): Promise<void> {
  const step = bench.session.steps.find((one) => one.id === id);
  if (step === undefined) throw new Error(`no step ${id}`);
  bench.session.jumpTo(step);
  await bench.session.pass('done', more);
  await bench.pass();
}

/** Caught, planted: `packageDrafts` made a new package beside the one laid out. */
test('[SK18] a coil placed from the table leaves one package, placed, and one to return', async () => {
  const bench = await openBench();
  for (const id of ['x1', 'x2']) {
    await bench.app.tablet.save([
      {
        draftId: id,
        record: `package_opened/${id}`,
        set: {
          case: 'case/c1',
          item: 'coil',
          stock_id: 'stock_item/s14',
          device: { lot: 'L-0417-A', expires_on: '2028-04-30' },
          fate: 'open',
        },
      },
    ]);
  }
  await bench.pass();
  const [stock] = bench.session.coils;
  await passStep(bench, 'package_opened', { stock });
  await passStep(bench, 'coil_formed', { stock });

  const read = (kind: string) => bench.store.read({ kind, parent: 'case/c1' });
  const [coils] = countsOf(read('package_opened'), read('coil_placed'));
  expect(coils).toMatchObject({ opened: 2, placed: 1, difference: 1, withoutPackage: 0 });
  expect(coils?.open).toHaveLength(1);
  expect(textOf(read('coil_placed')[0], 'package')).toMatch(/^package_opened\/x/);

  // Undone, the package lies on the table again, open.
  await bench.session.undo();
  await bench.pass();
  const [after] = countsOf(read('package_opened'), read('coil_placed'));
  expect(after).toMatchObject({ opened: 2, placed: 0 });
  expect(after?.open).toHaveLength(2);
});

async function layOut(bench: Bench, packages: Record<string, Record<string, Json>>) {
  for (const [id, set] of Object.entries(packages)) {
    await bench.app.tablet.save([
      {
        draftId: id,
        record: `package_opened/${id}`,
        set: { case: 'case/c1', item: 'coil', stock_id: 'stock_item/s14', fate: 'open', ...set },
      },
    ]);
  }
  await bench.pass();
}

/** Caught, as it stood: the coil bore the oldest lot, and Close-out asked nothing. */
test('a coil of two lots on the table has no lot until Close-out asks for it', async () => {
  const bench = await openBench();
  await layOut(bench, {
    x1: { device: { lot: 'L-0388-A', expires_on: '2027-11-30' } },
    x2: { device: { lot: 'L-0417-A', expires_on: '2028-04-30' } },
  });
  const [stock] = bench.session.coils;
  await passStep(bench, 'package_opened', { stock });
  await passStep(bench, 'coil_formed', { stock });

  const coils = bench.store.read({ kind: 'coil_placed', parent: 'case/c1' });
  const packages = bench.store.read({ kind: 'package_opened', parent: 'case/c1' });
  expect(coils[0]?.fields.device).toBeUndefined();
  expect(missingLots({ packages, coils, punctures: [], adhesives: [] })).toMatchObject([
    { key: coils[0]?.record, item: 'coil' },
  ]);
});

/** Caught, as it stood: an expired, recalled package passed unsaid while its lot was not pressed. */
test('[SOFT-12] [GT17] what lies on the table is told as expired and recalled before a press', async () => {
  const bench = await openBench();
  const device = { lot: 'L-0388-A', expires_on: '2026-03-15', serial: 'SN1' };
  await layOut(bench, { x1: { device }, other: { device, fate: 'discarded' } });
  await bench.app.tablet.save([
    {
      draftId: 'recall',
      record: 'recall_notice/r1',
      set: { item: 'coil', criteria: { lots: ['L-0388-A'] }, reason: 'seal', state: 'in-force' },
    },
  ]);
  await bench.pass();
  const show = (id: string) => {
    const step = bench.session.steps.find((one) => one.id === id);
    if (step) bench.session.jumpTo(step);
  };
  const told = {
    device_expires_on: '2026-03-15',
    today_on: '2026-03-16',
    device_recalls: [{ name: 'L-0388-A', reason: 'seal' }],
  };
  show('package_opened');
  expect(labelFacts(bench.session)).toEqual(told);
  // Both ask why, each once (GT18).
  expect(whyUsed(bench.session)).toBeNull();
  const [stock] = bench.session.coils;
  const asking = labelRemarks(bench.session).filter(({ gate }) => gate.reasons.length > 0);
  const why = Object.fromEntries(asking.map(({ gate }) => [gate.cause, 'no-other']));
  bench.session.answer({ why });
  expect(whyUsed(bench.session)).toEqual(why);
  await passStep(bench, 'package_opened', { stock, why });

  show('coil_formed');
  expect(bench.session.opened?.record).toBe('package_opened/x1');
  expect(labelFacts(bench.session)).toEqual(told);
  // It stays on screen, and the reason that was given is not asked for again.
  expect(labelRemarks(bench.session).map(({ gate }) => gate.id)).toEqual(['SOFT-12', 'SOFT-13']);
  expect(whyUsed(bench.session)).toEqual({});
});

/** Caught, as it stood: the needle on the table was taken for one that was opened. */
test('a needle that was only laid out is asked for where it is made ready', async () => {
  const bench = await openBench();
  const step = bench.session.steps.find(({ id }) => id === 'needle_flushed');
  if (step) bench.session.jumpTo(step);
  await layOut(bench, { n1: { item: 'needle', stock_id: 'stock_item/n19' } });
  expect(needsNeedle(bench.session)).toBe(true);

  await layOut(bench, { n2: { item: 'needle', stock_id: 'stock_item/n19', fate: 'used' } });
  expect(needsNeedle(bench.session)).toBe(false);
});

// --- serial numbers (SK21)

const withSerial = (id: string, serial: string, lot = 'L-0417') =>
  recorded(`package_opened/${id}`, {
    item: 'coil',
    fate: 'open',
    stock_id: 'stock_item/s14',
    device: { lot, expires_on: '2028-04-30', ...(serial === '' ? {} : { serial }) },
  });

/** Caught, as it stood: the oldest package of the lot was taken, whatever its serial number. */
test('[SK21] of two serial numbers of one lot none is taken until somebody says which', () => {
  const [one, two, bare] = [withSerial('a', 'SN1'), withSerial('b', 'SN2'), withSerial('c', '')];
  const take = (table: RecordState[], said?: { lot: string; serial?: string } | null) =>
    takeLaidOut(table, 'stock_item/s14', said)?.record ?? null;
  const lot = { lot: 'l0417' };

  expect(take([one, two], lot)).toBeNull();
  expect(take([one, two])).toBeNull();
  expect(take([one, two], { ...lot, serial: 'sn2' })).toBe(two.record);
  expect(take([one, two, bare], { ...lot, serial: 'SN3' })).toBe(bare.record);
  expect(take([one, two], { ...lot, serial: 'SN3' })).toBeNull();
  const unread = { ...lot, isSerialUnread: true };
  expect(take([one, two, bare], unread)).toBe(bare.record);
  expect(take([one, two], unread)).toBeNull();
  expect(take([one, withSerial('z', 'SN1')], lot)).toBe(one.record);
  expect(take([one], lot)).toBe(one.record);

  const asked = (table: RecordState[], said?: { lot: string } | null) =>
    packagesBySerial(table, 'stock_item/s14', said).map(({ record }) => record);
  expect(asked([one, two, bare], lot)).toEqual([one.record, two.record]);
  expect(asked([one, two])).toEqual([one.record, two.record]);
  expect(asked([one, withSerial('y', 'SN-9', 'L-0388')])).toEqual([]);
  expect(asked([one], lot)).toEqual([]);
  expect(asked([bare, withSerial('d', '')], lot)).toEqual([]);
  expect(asked([one, two], { lot: 'L-0388' })).toEqual([]);
});

const SERIALS = {
  x1: { device: { lot: 'L-0417-A', expires_on: '2028-04-30', serial: 'SN1' } },
  x2: { device: { lot: 'L-0417-A', expires_on: '2028-04-30', serial: 'SN2' } },
};
const pressedLot = { lot: 'L-0417-A', identifier: '', expiresOn: '' };

/** Caught, planted: `deviceOf` of the lot pressed in the place of `labelAtHand`. */
test('[SK21] a lot pressed asks which serial; the coil and its package bear the one pressed', async () => {
  const bench = await openBench();
  await layOut(bench, SERIALS);
  const { session } = bench;
  const step = session.steps.find(({ id }) => id === 'coil_formed');
  if (step) session.jumpTo(step);
  const [stock] = session.coils;
  session.answer({ stock: stock ?? null, lot: pressedLot });
  expect(primaryOf(session, () => undefined)).toMatchObject({
    words: 'Which serial? Press one',
    isBlocked: true,
  });
  expect(serialChoice(session).packages).toHaveLength(2);

  session.answer({ lot: { ...pressedLot, serial: 'SN2' } });
  expect(waitsForSerial(session)).toBe(false);
  await primaryOf(session, () => undefined).press();
  await bench.pass();

  const read = (kind: string) => bench.store.read({ kind, parent: 'case/c1' });
  const fates = read('package_opened').map((one) => [
    structureOf(one, 'device')?.serial,
    textOf(one, 'fate'),
  ]);
  expect(fates.sort()).toEqual([
    ['SN1', 'open'],
    ['SN2', 'placed'],
  ]);
  expect(structureOf(read('coil_placed')[0] ?? null, 'device')?.serial).toBe('SN2');
  // The one that is left has one serial: a press of its lot takes none of it away.
  const next = session.steps.find(({ id }) => id === 'package_opened');
  if (next) session.jumpTo(next);
  session.answer({ stock: stock ?? null, lot: pressedLot });
  expect(waitsForSerial(session)).toBe(false);
  await session.pass('done');
  await bench.pass();
  const left = read('package_opened').find(({ record }) => record === 'package_opened/x1');
  expect(structureOf(left ?? null, 'device')).toEqual(SERIALS.x1.device);
  expect(read('package_opened')).toHaveLength(2);
});

test('[SK21] a serial that nobody can read is none: the coil bears the lot alone', async () => {
  const bench = await openBench();
  await layOut(bench, SERIALS);
  const [stock] = bench.session.coils;
  const lot = { ...pressedLot, isSerialUnread: true };
  await passStep(bench, 'coil_formed', { stock, lot });

  const [coil] = bench.store.read({ kind: 'coil_placed', parent: 'case/c1' });
  expect(structureOf(coil ?? null, 'device')).toEqual({ lot: 'L-0417-A' });
  const fates = bench.store
    .read({ kind: 'package_opened', parent: 'case/c1' })
    .map((one) => textOf(one, 'fate'));
  expect(fates.sort()).toEqual(['open', 'open', 'placed']);
});

/** Caught, as it stood: the ampoule whose lot had been pressed was recorded as used. */
test('"Not done" at the aliquot opens no ampoule, whatever was pressed before', async () => {
  const bench = await openBench();
  await layOut(bench, {
    x1: { item: 'adhesive', stock_id: 'stock_item/g1', device: { lot: 'A' } },
  });
  const step = bench.session.steps.find(({ id }) => id === 'aliquot_ready');
  if (step) bench.session.jumpTo(step);
  const stock = {
    record: 'stock_item/g1',
    item: 'adhesive',
    name: '',
    coil: null,
    agent: '',
    lots: [],
  };
  await bench.session.pass('not-seen', { stock, lot: { lot: 'A', identifier: '', expiresOn: '' } });
  await bench.pass();

  const packages = bench.store.read({ kind: 'package_opened', parent: 'case/c1' });
  expect(packages.map((one) => textOf(one, 'fate'))).toEqual(['open']);
  const [event] = bench.store.read({ kind: 'step_event', parent: 'case/c1' });
  expect(textOf(event ?? null, 'outcome')).toBe('not-seen');
});
