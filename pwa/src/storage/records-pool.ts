/**
 * The records files among the files of a pool: encrypted, numbered, the newest in use.
 *
 * A file that an earlier version of the app wrote plain is carried over into an encrypted one
 * beside it, and removed once that one is whole and says so: cut off at any moment, one of the two
 * holds everything.
 */
import { tell } from '../told';
import type { Database } from './database';
import { readMeta, writeMeta } from './meta-rows';
import { type RecordsFiles, StoreRefusedError } from './store-opening';
import { checkStructure } from './store-soundness';

/** The little that is asked of a pool of files, so that the tests run it on another. */
export interface FilePool {
  names(): string[];
  /** Say whether a file begins as SQLite's plain files do. */
  isPlain(name: string): boolean;
  /** Open a file on the encrypting layer, making it where there is none. */
  open(name: string): Database;
  unlink(name: string): void;
  /** Address of a file for SQL on the encrypting layer, with a key as `writeKey` writes it. */
  addressOf(name: string, key: string): string;
}

/** In the file that took over: the name of the plain one, until that is gone. */
const CARRIED = 'carried_from';
/** A page of the file is read again in less than a millisecond; memory is what a tablet lacks. */
const CACHE_KIB = 2_048;

/** The records files of the app: `/crura.db`, then those made after one was set aside. */
export const RECORDS = '/crura';
/** What is recorded from the locked screen, each time under a key of its own. */
export const emergencyStem = (number: number) => `/emergency-${number}`;

/**
 * Return the records files of one kind.
 *
 * @param dataKey - 32 bytes, by which each page is encrypted (ChaCha20-Poly1305)
 */
export function recordsFilesOf(pool: FilePool, stem: string, dataKey: Uint8Array): RecordsFiles {
  const key = writeKey(dataKey);
  const numbers = () =>
    pool
      .names()
      .map((name) => numberOf(stem, name))
      .filter((number) => number > 0)
      .sort((one, other) => one - other);
  const open = (number: number) => openEncrypted(pool, nameOf(stem, number), key);
  const next = () => open((numbers().at(-1) ?? 0) + 1);
  return {
    current() {
      const held = numbers();
      carryOver(pool, stem, held, key);
      return open(numbers().at(-1) ?? 1);
    },
    next,
  };
}

/** Say whether the pool holds any records file of a kind that a key was made for. */
export function holdsEncrypted(pool: FilePool, stem: string): boolean {
  return pool.names().some((name) => numberOf(stem, name) > 0 && !pool.isPlain(name));
}

/** Remove every records file of a kind, and what lies beside it. */
export function removeRecords(pool: FilePool, stem: string): void {
  for (const name of pool.names()) if (numberOf(stem, name) > 0) removeFile(pool, name);
}

/** The key as SQLite's layer takes it: as it is, without a derivation. */
function writeKey(dataKey: Uint8Array): string {
  return `raw:${Array.from(dataKey, (byte) => byte.toString(16).padStart(2, '0')).join('')}`;
}

/** The first file has no number: an earlier version of the app wrote no other. */
function nameOf(stem: string, number: number): string {
  return number === 1 ? `${stem}.db` : `${stem}-${number}.db`;
}

/** Return the number of a records file, 0 for any other file. */
function numberOf(stem: string, name: string): number {
  if (!name.startsWith(stem)) return 0;
  const rest = name.slice(stem.length);
  return rest === '.db' ? 1 : Number(/^-([0-9]+)\.db$/.exec(rest)?.[1] ?? 0);
}

function openEncrypted(pool: FilePool, name: string, key: string): Database {
  return opened(pool, name, (database) => {
    database.exec("PRAGMA cipher = 'chacha20'");
    database.exec(`PRAGMA key = '${key}'`);
    setDurability(database);
  });
}

function opened(pool: FilePool, name: string, prepare: (database: Database) => void): Database {
  const database = pool.open(name);
  try {
    prepare(database);
    return database;
  } catch (error) {
    database.close();
    throw error;
  }
}

/** Write-ahead log, flushed to disk at every commit. WAL on this file system needs the lock first. */
function setDurability(database: Database): void {
  database.exec('PRAGMA locking_mode = exclusive');
  // What SQLite sorts or undoes would lie beside the file in clear.
  database.exec('PRAGMA temp_store = memory');
  const [journal] = database.select('PRAGMA journal_mode = wal');
  database.exec('PRAGMA synchronous = full');
  database.exec(`PRAGMA cache_size = -${CACHE_KIB}`);
  const [flush] = database.select('PRAGMA synchronous');
  if (journal?.journal_mode !== 'wal' || flush?.synchronous !== 2) {
    throw new StoreRefusedError(tell('unsafeDisk'));
  }
}

/** Carry the newest plain file over, unless a whole encrypted one has taken its place already. */
function carryOver(pool: FilePool, stem: string, held: readonly number[], key: string): void {
  const plain = [...held].reverse().find((number) => pool.isPlain(nameOf(stem, number)));
  if (plain === undefined) return;
  const from = nameOf(stem, plain);
  const newer = held.filter((number) => number > plain);
  if (!newer.some((number) => isCarried(pool, nameOf(stem, number), from, key))) {
    // Cut off in the middle: it holds nothing that the plain one does not hold.
    for (const number of newer) removeFile(pool, nameOf(stem, number));
    carry(pool, from, nameOf(stem, plain + 1), key);
  }
  removeFile(pool, from);
}

function carry(pool: FilePool, from: string, to: string, key: string): void {
  const plain = opened(pool, from, setDurability);
  try {
    checkStructure(plain);
    plain.exec('VACUUM INTO ?', [pool.addressOf(to, key)]);
  } finally {
    plain.close();
  }
  const taken = openEncrypted(pool, to, key);
  try {
    checkStructure(taken);
    writeMeta(taken, CARRIED, from);
  } finally {
    taken.close();
  }
}

function isCarried(pool: FilePool, name: string, from: string, key: string): boolean {
  try {
    const database = openEncrypted(pool, name, key);
    try {
      return readMeta(database, CARRIED) === from;
    } finally {
      database.close();
    }
  } catch {
    return false;
  }
}

function removeFile(pool: FilePool, name: string): void {
  for (const suffix of ['', '-wal', '-journal']) {
    if (pool.names().includes(name + suffix)) pool.unlink(name + suffix);
  }
}
