/**
 * The records files among the files of a pool: encrypted, numbered, the newest in use.
 *
 * Where the newest file is one that an earlier version of the app wrote plain, it is carried over
 * into an encrypted one beside it, and removed once that one is whole and says so: cut off at any
 * moment, one of the two holds everything. An older plain file was set aside as damaged by then: it
 * stays as it is, and never is a reason to touch the newer ones [REL-13].
 */
import { tell } from '../told';
import type { Database } from './database';
import { readMeta, writeMeta } from './meta-rows';
import { type RecordsFiles, StoreRefusedError } from './store-opening';
import { checkStructure, DamagedStoreError } from './store-soundness';

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

/** In the file that took over: the name of the plain one, in it from its first moment on. */
const CARRIED = 'carried_from';
/** SQLite's codes for a file that is damaged, is no database, or lacks a table. */
const CUT_OFF_CODES = [11, 26, 1];
/** SQLite's codes for a full disk; the browser's files tell theirs as an error of writing. */
const NO_ROOM_CODES = [13, 10];
/** A page of the file is read again in less than a millisecond; memory is what a tablet lacks. */
const CACHE_KIB = 2_048;

/** The records files of the app: `/crura.db`, then those made after one was set aside. */
export const RECORDS = '/crura';
/** What is recorded from the locked screen, each time under a key of its own. */
export const emergencyStem = (number: number) => `/emergency-${number}`;

export interface PooledRecords extends RecordsFiles {
  /** The file in use lies plain, since the disk had no room to carry it over at this start. */
  readonly isStillPlain: boolean;
}

/**
 * Return the records files of one kind.
 *
 * @param dataKey - 32 bytes, by which each page is encrypted (ChaCha20-Poly1305)
 */
export function recordsFilesOf(pool: FilePool, stem: string, dataKey: Uint8Array): PooledRecords {
  const key = writeKey(dataKey);
  const numbers = () =>
    pool
      .names()
      .map((name) => numberOf(stem, name))
      .filter((number) => number > 0)
      .sort((one, other) => one - other);
  const open = (number: number) => openEncrypted(pool, nameOf(stem, number), key);
  const next = () => open((numbers().at(-1) ?? 0) + 1);
  let stillPlain: Database | null = null;
  return {
    get isStillPlain() {
      return stillPlain !== null;
    },
    current() {
      stillPlain = carryOver(pool, stem, numbers(), key);
      return stillPlain ?? open(numbers().at(-1) ?? 1);
    },
    next() {
      stillPlain = null;
      return next();
    },
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

/**
 * Carry the newest file over where it is a plain one.
 *
 * @returns the plain one, opened, where the disk has no room for another; else null
 */
function carryOver(
  pool: FilePool,
  stem: string,
  held: readonly number[],
  key: string,
): Database | null {
  const plain = [...held].reverse().find((number) => pool.isPlain(nameOf(stem, number)));
  if (plain === undefined) return null;
  const from = nameOf(stem, plain);
  const to = nameOf(stem, plain + 1);
  const newer = held.filter((number) => number > plain).map((number) => nameOf(stem, number));
  const kinds = newer.map((name) => judgeNewer(pool, name, from, key));
  if (kinds.includes('carried')) {
    removeFile(pool, from);
    return null;
  }
  const isCutOff = newer.length === 1 && newer[0] === to && kinds[0] === 'cut-off';
  // Else they are records of their own, begun after the plain one had been set aside.
  return newer.length === 0 || isCutOff ? carry(pool, from, to, key) : null;
}

function carry(pool: FilePool, from: string, to: string, key: string): Database | null {
  const plain = opened(pool, from, setDurability);
  try {
    checkStructure(plain);
    // Cut off in the middle: it holds nothing that the plain one does not hold.
    removeFile(pool, to);
    writeMeta(plain, CARRIED, from);
    plain.exec('VACUUM INTO ?', [pool.addressOf(to, key)]);
  } catch (error) {
    if (NO_ROOM_CODES.includes(codeOf(error))) {
      removeFile(pool, to);
      return plain;
    }
    plain.close();
    throw error;
  }
  plain.close();
  const taken = openEncrypted(pool, to, key);
  try {
    checkStructure(taken);
  } finally {
    taken.close();
  }
  removeFile(pool, from);
  return null;
}

/** Say what a file is that is newer than a plain one. */
function judgeNewer(
  pool: FilePool,
  name: string,
  from: string,
  key: string,
): 'carried' | 'own' | 'cut-off' {
  try {
    const database = openEncrypted(pool, name, key);
    try {
      checkStructure(database);
      return readMeta(database, CARRIED) === from ? 'carried' : 'own';
    } finally {
      database.close();
    }
  } catch (error) {
    const isCutOff = error instanceof DamagedStoreError || CUT_OFF_CODES.includes(codeOf(error));
    if (isCutOff) return 'cut-off';
    // What cannot be read now may be whole.
    throw error;
  }
}

/** SQLite's code of an error, 0 for one that is none of SQLite's. */
function codeOf(error: unknown): number {
  return ((error as { resultCode?: number }).resultCode ?? 0) & 0xff;
}

function removeFile(pool: FilePool, name: string): void {
  for (const suffix of ['', '-wal', '-journal']) {
    if (pool.names().includes(name + suffix)) pool.unlink(name + suffix);
  }
}
