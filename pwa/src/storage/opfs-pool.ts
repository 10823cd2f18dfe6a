/**
 * Taking hold of the pool of files in the browser's private file system, so that no failure of it
 * can delete a file.
 *
 * The pool's own way out of a failed start is to remove its whole folder, records and all. While it
 * starts, the browser is therefore kept from removing anything of it [HAZ-36].
 */
import type { Sqlite3Static } from '@evolu/sqlite-wasm';
import { tell } from '../told';
import type { FilePool } from './records-pool';
import { SqliteDatabase } from './sqlite-database';

const POOL = {
  name: 'crura',
  directory: 'crura',
  initialCapacity: 8,
  // A window that is just closing may hold its files a moment longer: the pool is tried again.
  forceReinitIfPreviouslyFailed: true,
};
const FOLDERS = ['crura', '.opaque'];
/** A file of its own by which the pool tries whether handles close at once; it may go. */
const PROBE = '.opfs-sahpool-sync-check-';
/** Layer of SQLite that encrypts each page before it reaches the pool. */
const LAYER = 'multipleciphers-crura';

/** SQLite's encrypting layer, which the types of its package leave out. */
interface Ciphers {
  sqlite3mc_vfs_create(underneath: string, isDefault: 0 | 1): number;
}

/** A file of the pool, its write-ahead log, and room for what SQLite needs beside them. */
const PLACES_A_FILE = 4;

/** The pool keeps a file's name in front of its content. */
const NAME_BYTES = 512;
const CONTENT_AT = 4_096;
const PLAIN = 'SQLite format 3\0';

/**
 * Take hold of every file of the pool and lay the encrypting layer over it.
 *
 * @throws an error of the browser when a file is held elsewhere; nothing was changed
 */
export async function holdPool(sqlite3: Sqlite3Static): Promise<FilePool> {
  const plain = await tryHandles();
  const pool = await removingNothing(() => sqlite3.installOpfsSAHPoolVfs(POOL));
  await pool.reserveMinimumCapacity(pool.getFileCount() + 2 * PLACES_A_FILE);
  const code = (sqlite3.capi as unknown as Ciphers).sqlite3mc_vfs_create(POOL.name, 0);
  if (code !== 0) throw new Error(tell('unsafeDisk'));
  return {
    names: () => pool.getFileNames(),
    isPlain: (name) => plain.has(name),
    open: (name) =>
      new SqliteDatabase(sqlite3, new sqlite3.oo1.DB({ filename: name, flags: 'c', vfs: LAYER })),
    unlink(name) {
      pool.unlink(name);
      plain.delete(name);
    },
    addressOf: (name, key) => `file:${name}?vfs=${LAYER}&cipher=chacha20&key=${key}`,
  };
}

/**
 * Open each file once and close it again: where one is held elsewhere, the pool is not begun.
 *
 * @returns the names of the files that begin as SQLite's plain files do
 */
async function tryHandles(): Promise<Set<string>> {
  let folder = await navigator.storage.getDirectory();
  for (const name of FOLDERS) folder = await folder.getDirectoryHandle(name, { create: true });
  const plain = new Set<string>();
  for await (const entry of folder.values()) {
    if (entry.kind !== 'file') continue;
    const handle = await (entry as FileSystemFileHandle).createSyncAccessHandle();
    try {
      if (textAt(handle, CONTENT_AT, PLAIN.length) === PLAIN) {
        plain.add(textAt(handle, 0, NAME_BYTES).split('\0')[0] ?? '');
      }
    } finally {
      handle.close();
    }
  }
  return plain;
}

function textAt(handle: FileSystemSyncAccessHandle, at: number, length: number): string {
  const bytes = new Uint8Array(length);
  const read = handle.read(bytes, { at });
  return new TextDecoder().decode(bytes.subarray(0, read));
}

/** Run the work; meanwhile nothing but the pool's own probe can be removed in this worker. */
export async function removingNothing<Answer>(work: () => Promise<Answer>): Promise<Answer> {
  const prototype = FileSystemDirectoryHandle.prototype;
  const { removeEntry } = prototype;
  prototype.removeEntry = function (name, options) {
    if (name.startsWith(PROBE)) return removeEntry.call(this, name, options);
    return Promise.reject(new DOMException('records stay', 'NotAllowedError'));
  };
  try {
    return await work();
  } finally {
    prototype.removeEntry = removeEntry;
  }
}
