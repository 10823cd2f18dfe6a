/**
 * Every released schema of the tablet's store is opened by today's code without loss [REL-11].
 *
 * A release with a new schema adds its own dump to `tests/migrations/pwa/`.
 */
import { readdirSync, readFileSync } from 'node:fs';
import { bytesToHex, hexToBytes } from '@noble/hashes/utils.js';
import { describe, expect, test } from 'vitest';
import { packagedCatalogue } from '../record-catalogue/packaged-catalogue';
import { kindOf, makeOperation, writeEnvelope } from '../sync/operation';
import { sayTold } from '../text/told';
import type { Database, Row } from './database';
import { openMemoryDisk } from './memory-database';
import { NewerStoreError } from './migrations';
import { selectOperations } from './operation-rows';
import { OperationStore } from './operation-store';
import { checkOwnEntries, checkStructure, hashOf } from './store-soundness';

const folder = new URL('../../../tests/migrations/pwa/', import.meta.url);
const dumps = readdirSync(folder).sort();
const KEPT = ['own_epoch', 'cursor', 'quarantine', 'meta'];
/** Tables that only later schemas have. */
const KEPT_LATER = [
  'forked_operation',
  'dropped_case',
  'dropped_record',
  'held_since',
  'signed_head',
];

async function openDump(file: string) {
  const disk = await openMemoryDisk();
  disk.database.exec(readFileSync(new URL(file, folder), 'utf8'));
  return disk;
}

/** Return the rows of the tables that may lose nothing, with the columns that they had. */
function keptRows(select: (sql: string) => Row[]): Record<string, Row[]> {
  const found = select("SELECT name FROM sqlite_schema WHERE type = 'table'").map(
    (row) => row.name,
  );
  const later = KEPT_LATER.filter((table) => found.includes(table));
  return Object.fromEntries(
    [...KEPT, ...later].map((table) => [table, select(`SELECT * FROM ${table} ORDER BY 1, 2`)]),
  );
}

/** Return the whole log, in the order in which it came, with what only this tablet knows of it. */
function logOf(database: Database): unknown[] {
  const beside = 'SELECT seq, draft_id, taken_in_ms FROM operation ORDER BY seq';
  const known = database.select(beside);
  return selectOperations(database, 'ORDER BY seq', []).map((one, place) => ({
    ...known[place],
    envelope: writeEnvelope(one),
    body: one.bodyText,
    hash: one.hash,
  }));
}

/** The same of a store in which each row held its texts. */
function oldLogOf(database: Database): unknown[] {
  return database.select('SELECT * FROM operation ORDER BY seq').map((row) => ({
    seq: row.seq,
    draft_id: row.draft_id,
    taken_in_ms: row.taken_in_ms,
    envelope: writeEnvelope({
      opId: `${row.device}.${row.epoch}.${row.counter}`,
      previous: bytesToHex(row.previous as Uint8Array),
      stream: String(row.stream),
      record: String(row.record),
      stamp: String(row.stamp),
      commitment: bytesToHex(row.commitment as Uint8Array),
    }),
    body: row.body,
    hash: bytesToHex(row.hash as Uint8Array),
  }));
}

/** From the fourth on a store holds the same entries squeezed, and no states. */
const SAME_CONTENT = 'store_of_0003.sql';

/** Return the states that an old store kept as texts. */
function oldStatesOf(database: Database): { fields: object; isEnteredInError: boolean }[] {
  return database
    .select('SELECT state FROM record_state ORDER BY record')
    .map((row) => JSON.parse(String(row.state)));
}

test('schema_from_the_future_and_past: the corpus begins with the first schema', () => {
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
    const isSqueezed = file > SAME_CONTENT;
    const { database: unsqueezed } = await openDump(isSqueezed ? SAME_CONTENT : file);
    const log = oldLogOf(unsqueezed);
    // A record of which no body ever came is no longer shown as an empty one (EX23).
    const states = oldStatesOf(unsqueezed).filter(
      ({ fields, isEnteredInError }) => isEnteredInError || Object.keys(fields).length > 0,
    );
    expect(states.length).toBeGreaterThanOrEqual(5);
    expect(log.length).toBeGreaterThanOrEqual(9);

    const store = new OperationStore(database, packagedCatalogue());

    const after = keptRows((sql) => database.select(sql));
    expect(logOf(database)).toEqual(log);
    for (const one of selectOperations(database, '', [])) expect(hashOf(one)).toBe(one.hash);
    const shown = store.everyRecord().sort();
    expect(shown.flatMap((record) => store.read({ kind: kindOf(record), record }))).toMatchObject(
      states,
    );
    for (const table of Object.keys(before)) {
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
    expect(sayTold(store.standingTrouble())).toContain('Two devices have written as this one');
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

/** The planted bug it has caught: only the first piece of a long log carried over. */
test('[REL-11] a log longer than one piece of the migration is carried over whole', async () => {
  const { database } = await openDump('store_of_0003.sql');
  let previous = '';
  for (let counter = 1; counter <= 1_100; counter++) {
    const one = makeOperation({
      device: 'tablet-d',
      epoch: 'ep07',
      counter,
      previous,
      stream: 'care',
      record: `puncture/y-${counter}`,
      stamp: `001790000005000.${String(counter).padStart(5, '0')}.tablet-d`,
      body: {
        salt: String(counter).padStart(32, '0'),
        by: 'staff/s-1',
        tappedBy: 'staff/s-1',
        catalogue: 2,
        set: { case: 'case/c-1', stop_um: counter },
        over: {},
        retract: [],
        because: '',
      },
    });
    previous = one.hash;
    database.exec(
      `INSERT INTO operation (device, epoch, counter, stream, record, stamp, previous, commitment,
         hash, body, draft_id, taken_in_ms) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, NULL, 1)`,
      [
        one.device,
        one.epoch,
        counter,
        one.stream,
        one.record,
        one.stamp,
        hexToBytes(one.previous),
        hexToBytes(one.commitment),
        hexToBytes(one.hash),
        one.bodyText,
      ],
    );
  }
  const log = oldLogOf(database);

  const store = new OperationStore(database, packagedCatalogue());

  expect(logOf(database)).toEqual(log);
  expect(store.read({ kind: 'puncture', parent: 'case/c-1' })).toHaveLength(1_102);
});

test('a store of a newer version is refused and left as it was', async () => {
  const disk = await openDump(dumps[0] ?? '');
  disk.database.exec('PRAGMA user_version = 99');
  const before = keptRows((sql) => disk.database.select(sql));

  expect(() => new OperationStore(disk.database, packagedCatalogue())).toThrow(NewerStoreError);
  expect(keptRows((sql) => disk.database.select(sql))).toEqual(before);
});
