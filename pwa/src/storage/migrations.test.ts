/**
 * Every released schema of the tablet's store is opened by today's code without loss [REL-11].
 *
 * A release with a new schema adds its own dump to `tests/migrations/pwa/`.
 */
import { readdirSync, readFileSync } from 'node:fs';
import { describe, expect, test } from 'vitest';
import { packagedCatalogue } from '../record-catalogue/packaged-catalogue';
import type { Row } from './database';
import { openMemoryDisk } from './memory-database';
import { NewerStoreError } from './migrations';
import { OperationStore } from './operation-store';
import { checkOwnEntries, checkStructure } from './store-soundness';

const folder = new URL('../../../tests/migrations/pwa/', import.meta.url);
const dumps = readdirSync(folder).sort();
const LOG = 'operation';
const KEPT = [LOG, 'own_epoch', 'cursor', 'quarantine', 'meta'];

async function openDump(file: string) {
  const disk = await openMemoryDisk();
  disk.database.exec(readFileSync(new URL(file, folder), 'utf8'));
  return disk;
}

/** Return the rows of the tables that may lose nothing, with the columns that they had. */
function keptRows(select: (sql: string) => Row[]): Record<string, Row[]> {
  return Object.fromEntries(
    KEPT.map((table) => [table, select(`SELECT * FROM ${table} ORDER BY rowid`)]),
  );
}

test('the corpus begins with the first schema', () => {
  expect(dumps[0]).toBe('store_of_0001.sql');
});

describe.each(dumps)('[REL-11] %s', (file) => {
  test('is of the schema that its name says', async () => {
    const { database } = await openDump(file);
    const [row] = database.select('PRAGMA user_version');

    expect(Number(row?.user_version)).toBe(Number(file.slice('store_of_'.length, -'.sql'.length)));
  });

  /** The planted bug it has caught: a migration that makes the table `operation` anew, empty. */
  test('keeps every row, and shows what it showed', async () => {
    const { database } = await openDump(file);
    const before = keptRows((sql) => database.select(sql));
    for (const table of KEPT) expect(before[table]?.length, table).toBeGreaterThan(0);

    const store = new OperationStore(database, packagedCatalogue());

    const after = keptRows((sql) => database.select(sql));
    for (const table of KEPT) {
      const old = before[table] ?? [];
      const now =
        table === 'meta' ? after[table]?.filter((row) => row.name !== 'catalogue') : after[table];
      const wanted = table === 'meta' ? old.filter((row) => row.name !== 'catalogue') : old;
      expect(now, table).toMatchObject(wanted);
    }
    checkStructure(database);
    checkOwnEntries(database);
    expect(store.ownDevice()).toMatchObject({ device: 'tablet-a', token: 'token-of-tablet-a' });
    expect(store.tip()).toMatchObject({ epoch: 'ep02', counter: 1 });
    expect(store.unsent().count).toBe(4);
    expect(store.hasForkedEpoch()).toBe(true);
    expect(store.cursors()).toEqual({ care: 9 });
    expect(store.quarantined().count).toBe(1);
    expect(store.recall('place')).toBe('#/case/c-1/procedure');
    expect(store.history('puncture/x-1')).toHaveLength(3);
    expect(store.read({ kind: 'coil_placed' })[0]?.isEnteredInError).toBe(true);
    expect(store.conflicts()).toMatchObject([
      { record: 'puncture/x-1', field: 'stop_um', values: [{ value: 31_000 }, { value: 33_000 }] },
    ]);
  });

  test('goes on: what is saved now continues the log', async () => {
    const { database } = await openDump(file);
    const store = new OperationStore(database, packagedCatalogue());
    const tip = store.tip();
    store.save(
      [{ draftId: 'd-new', record: 'puncture/x-4', set: { case: 'case/c-1' } }],
      { by: 'staff/s-1', tappedBy: 'staff/s-1' },
      { wallMs: 1, newSalt: () => '9'.repeat(32) },
    );

    expect(store.tip().counter).toBe(tip.counter + 1);
    expect(() => checkOwnEntries(database)).not.toThrow();
  });
});

test('a store of a newer version is refused and left as it was', async () => {
  const disk = await openDump(dumps[0] ?? '');
  disk.database.exec('PRAGMA user_version = 99');
  const before = keptRows((sql) => disk.database.select(sql));

  expect(() => new OperationStore(disk.database, packagedCatalogue())).toThrow(NewerStoreError);
  expect(keptRows((sql) => disk.database.select(sql))).toEqual(before);
});
