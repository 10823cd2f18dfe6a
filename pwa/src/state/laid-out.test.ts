/** Packages laid out from the list are the ones that the bedside opens: none is counted twice. */
import { expect, test } from 'vitest';
import { type Bench, openBench } from './bedside-bench';
import { countsOf } from './close-out';
import { laidOutPackages, takeLaidOut } from './laid-out';
import type { Json, RecordState } from './shown';
import { textOf } from './shown';

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
  const take = (lot: string | null | undefined) =>
    takeLaidOut([young, old], 'stock_item/s14', lot)?.record ?? null;

  expect(take(undefined)).toBe(old.record);
  expect(take('l0417')).toBe(young.record);
  expect(take('L-9')).toBeNull();
  expect(take(null)).toBeNull();
  expect(takeLaidOut([young], 'stock_item/s16', undefined)).toBeNull();
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
