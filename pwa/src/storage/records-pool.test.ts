/** Records files lie encrypted; a plain one is carried over, and no cut-off loses an entry. */
import { expect, test } from 'vitest';
import type { Database } from './database';
import { type Files, type MemoryPool, openMemoryPool } from './memory-pool';
import {
  emergencyStem,
  holdsEncrypted,
  RECORDS,
  recordsFilesOf,
  removeRecords,
} from './records-pool';

const KEY = new Uint8Array(32).fill(7);
const OTHER_KEY = new Uint8Array(32).fill(8);
const NAME = 'Zacharias Planted';
const META = 'CREATE TABLE meta (name TEXT PRIMARY KEY, content TEXT NOT NULL) STRICT';

function fill(database: Database, count: number): void {
  database.exec(META);
  database.exec('CREATE TABLE entry (text TEXT)');
  database.transaction(() => {
    for (let place = 0; place < count; place++) {
      database.exec('INSERT INTO entry VALUES (?)', [`${NAME} ${place}`]);
    }
  });
}

const countOf = (database: Database) =>
  Number(database.select('SELECT count(*) AS count FROM entry')[0]?.count);

/** What of a text lies in the files, as SQLite would write it. */
function hits(files: Files, text: string): string[] {
  return [...files].flatMap(([name, bytes]) =>
    new TextDecoder('latin1').decode(bytes).includes(text) ? [name] : [],
  );
}

async function plainPool(count: number): Promise<MemoryPool> {
  const pool = await openMemoryPool();
  const plain = pool.openPlain('/crura.db');
  plain.exec('PRAGMA locking_mode = exclusive');
  plain.exec('PRAGMA journal_mode = wal');
  fill(plain, count);
  // Not closed: the last entries lie in the write-ahead log alone, as after a kill.
  return openMemoryPool(pool.files);
}

/**
 * [SEC-12] The planted bug it has caught: the key given after the first page was written, which
 * left the file plain.
 */
test('nothing of an entry can be read in the file, its log, or beside them', async () => {
  const pool = await openMemoryPool();
  const database = recordsFilesOf(pool, RECORDS, KEY).current();
  fill(database, 400);
  database.select('SELECT * FROM entry ORDER BY text DESC');
  database.transaction(() => database.exec("UPDATE entry SET text = text || ' again'", []));

  expect(pool.names()).toEqual(expect.arrayContaining(['/crura.db', '/crura.db-wal']));
  expect(hits(pool.files, NAME)).toEqual([]);
  expect(hits(pool.files, 'CREATE TABLE')).toEqual([]);

  database.close();
  const again = await openMemoryPool(pool.files);
  expect(countOf(recordsFilesOf(again, RECORDS, KEY).current())).toBe(400);
});

test('another key opens nothing and changes nothing', async () => {
  const pool = await openMemoryPool();
  const database = recordsFilesOf(pool, RECORDS, KEY).current();
  fill(database, 3);
  database.close();
  const before = [...pool.files].map(([name, bytes]) => `${name} ${bytes.join(',')}`);

  const files = recordsFilesOf(pool, RECORDS, OTHER_KEY);

  expect(() => files.current()).toThrow(/file is not a database/);
  expect([...pool.files].map(([name, bytes]) => `${name} ${bytes.join(',')}`)).toEqual(before);
  expect(countOf(recordsFilesOf(pool, RECORDS, KEY).current())).toBe(3);
});

test('the same entries under the same key never lie as the same bytes', async () => {
  const pools = await Promise.all([openMemoryPool(), openMemoryPool()]);
  for (const pool of pools) {
    const database = recordsFilesOf(pool, RECORDS, KEY).current();
    fill(database, 3);
    database.close();
  }
  const [one, other] = pools.map((pool) => pool.files.get('/crura.db'));

  expect(one?.length).toBe(other?.length);
  expect(one).not.toEqual(other);
});

test('a plain file is carried over with its write-ahead log, and removed', async () => {
  const pool = await plainPool(300);
  expect(hits(pool.files, NAME)).not.toEqual([]);

  const database = recordsFilesOf(pool, RECORDS, KEY).current();

  expect(countOf(database)).toBe(300);
  expect(pool.names().filter((name) => /^\/crura\.db/.test(name))).toEqual([]);
  expect(hits(pool.files, NAME)).toEqual([]);
  database.exec('INSERT INTO entry VALUES (?)', ['one more']);
  database.close();
  expect(countOf(recordsFilesOf(pool, RECORDS, KEY).current())).toBe(301);
});

/**
 * [REL-03] [SEC-12] The planted bug it has caught: the plain file removed before the one that takes
 * its place says that it is whole.
 */
test('cut off at any write of it, the next start finds every entry', async () => {
  const pool = await plainPool(60);
  const left: Files[] = [];
  pool.onChange = () => left.push(new Map([...pool.files].map(([name, bytes]) => [name, bytes])));
  recordsFilesOf(pool, RECORDS, KEY).current();
  expect(left.length).toBeGreaterThan(10);

  for (const files of left) {
    const again = await openMemoryPool(files);
    const database = recordsFilesOf(again, RECORDS, KEY).current();

    expect(countOf(database)).toBe(60);
    database.close();
    expect(hits(again.files, NAME)).toEqual([]);
  }
});

const DAMAGED = new Uint8Array(8_192).fill(0x5a);
DAMAGED.set(new TextEncoder().encode('SQLite format 3\0'));

/**
 * [REL-13] [HAZ-36] The planted bug it has caught: every newer file taken for one that was cut off,
 * because it was not carried over from the oldest plain one.
 */
test('a plain file set aside before never costs the newer ones an entry', async () => {
  const pool = await openMemoryPool();
  for (const [name, count] of [
    ['/crura.db', 1],
    ['/crura-2.db', 5],
  ] as const) {
    const plain = pool.openPlain(name);
    fill(plain, count);
    plain.close();
  }

  for (const count of [5, 6, 7]) {
    const database = recordsFilesOf(pool, RECORDS, KEY).current();
    expect(countOf(database)).toBe(count);
    database.exec('INSERT INTO entry VALUES (?)', ['one more']);
    database.close();
  }
  expect(pool.names().filter((name) => name.endsWith('.db'))).toEqual(['/crura.db', '/crura-3.db']);
});

test('beside a damaged plain file the one that took its place opens at every start', async () => {
  const pool = await openMemoryPool(new Map([['/crura.db', DAMAGED]]));
  expect(() => recordsFilesOf(pool, RECORDS, KEY).current()).toThrow(/not a database/);
  // Cut off before anything was written to it: the next start makes another.
  recordsFilesOf(pool, RECORDS, KEY).next().close();
  expect(() => recordsFilesOf(pool, RECORDS, KEY).current()).toThrow(/not a database/);
  const next = recordsFilesOf(pool, RECORDS, KEY).next();
  fill(next, 2);
  next.close();

  for (const _ of [1, 2]) {
    const database = recordsFilesOf(pool, RECORDS, KEY).current();
    expect(countOf(database)).toBe(2);
    database.close();
  }
  expect(pool.files.get('/crura.db')).toEqual(DAMAGED);
});

/** [REL-13] The planted bug it has caught: the second one removed before the first was tried. */
test('a damaged plain file and a damaged one after it: both stay as they are', async () => {
  const files = new Map([
    ['/crura.db', DAMAGED],
    ['/crura-2.db', new Uint8Array(8_192).fill(9)],
  ]);
  const pool = await openMemoryPool(files);

  expect(() => recordsFilesOf(pool, RECORDS, KEY).current()).toThrow(/not a database/);

  expect([...pool.files]).toEqual([...files]);
});

/** The planted bug it has caught: the half of a file that a full disk left in use as the newest. */
test('without room for a second file the plain one opens as it is, and later it goes', async () => {
  const pool = await plainPool(300);
  // As when the quota is used up: an error of writing, in the middle of the file.
  pool.hasRoom = (name, bytes) => !name.startsWith('/crura-2') || bytes <= 8_192;

  const files = recordsFilesOf(pool, RECORDS, KEY);
  const database = files.current();
  expect([countOf(database), files.isStillPlain]).toEqual([300, true]);
  database.exec('INSERT INTO entry VALUES (?)', ['one more']);
  database.close();
  expect(pool.names().filter((name) => name.startsWith('/crura-2'))).toEqual([]);

  pool.hasRoom = () => true;
  const later = recordsFilesOf(pool, RECORDS, KEY);
  expect([countOf(later.current()), later.isStillPlain]).toEqual([301, false]);
  expect(hits(pool.files, NAME)).toEqual([]);
});

test('a file beside a damaged one takes its place, and emergency records are others', async () => {
  const pool = await openMemoryPool();
  const files = recordsFilesOf(pool, RECORDS, KEY);
  files.current().close();
  const next = files.next();
  fill(next, 2);
  next.close();
  const emergency = recordsFilesOf(pool, emergencyStem(1), OTHER_KEY).current();
  fill(emergency, 5);
  emergency.close();

  expect(countOf(files.current())).toBe(2);
  expect(countOf(recordsFilesOf(pool, emergencyStem(1), OTHER_KEY).current())).toBe(5);
  expect(holdsEncrypted(pool, RECORDS)).toBe(true);
  removeRecords(pool, RECORDS);
  expect(holdsEncrypted(pool, RECORDS)).toBe(false);
  expect(holdsEncrypted(pool, emergencyStem(1))).toBe(true);
});
