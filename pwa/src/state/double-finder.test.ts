/** One finder for all who ask: it reads what has changed once, and misses nothing. */
import { expect, test } from 'vitest';
import type { RecordQuery, RecordState, RecordStore } from '../ports';
import { doubleFinderOf } from './double-finder';
import { blankState } from './record-state';

const coil = (id: string): RecordState => {
  const held = (value: string | number) => ({
    values: [{ value, references: ['a.e.1#0'], by: 's', stamp: '001790000000001.00000.a' }],
    isConflict: false,
  });
  const fields = { target: held('target/t'), slot: held(1) };
  return { ...blankState(`coil_placed/${id}`), fields };
};

class Shelf {
  records = new Map([['coil_placed/a', coil('a')]]);
  asked: RecordQuery[] = [];
  isBroken = false;
  #listeners: ((records: string[]) => void)[] = [];

  store = {
    read: async (query: RecordQuery) => {
      this.asked.push(query);
      if (this.isBroken) throw new Error('the worker has stopped');
      return [...this.records.values()].filter(({ record }) =>
        query.record === undefined ? record.startsWith(`${query.kind}/`) : record === query.record,
      );
    },
    onRecords: (listener: (records: string[]) => void) => {
      this.#listeners.push(listener);
      return () => {};
    },
  } as unknown as RecordStore;

  add(id: string): void {
    this.records.set(`coil_placed/${id}`, coil(id));
    for (const tell of this.#listeners) tell([`coil_placed/${id}`]);
  }
}

/** The planted bug it has caught: a finder for each who asks, so that each read all again. */
test('two who ask share one reading, and a change is read once', async () => {
  const shelf = new Shelf();
  const [one, other] = [doubleFinderOf(shelf.store), doubleFinderOf(shelf.store)];
  expect(await Promise.all([one.find(), other.find()])).toEqual([[], []]);
  expect(shelf.asked).toHaveLength(3);

  shelf.add('b');
  const [here, there] = await Promise.all([one.find(), other.find()]);

  expect(here).toHaveLength(1);
  expect(there).toEqual(here);
  expect(shelf.asked).toHaveLength(4);
});

test('another store has another finder', () => {
  expect(doubleFinderOf(new Shelf().store)).not.toBe(doubleFinderOf(new Shelf().store));
});

/** The planted bug it has caught: a change forgotten where the store had not answered. */
test('what could not be read is read the next time', async () => {
  const shelf = new Shelf();
  const finder = doubleFinderOf(shelf.store);
  await finder.find();

  shelf.isBroken = true;
  shelf.add('b');
  await expect(finder.find()).rejects.toThrow('the worker has stopped');
  shelf.isBroken = false;

  expect(await finder.find()).toHaveLength(1);
});
