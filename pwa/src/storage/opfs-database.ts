/**
 * The tablet's files: SQLite, encrypted, in the browser's private file system, one writer.
 *
 * There is no other place to fall back to: when this one cannot be had, the app says so and
 * records nothing.
 */
import sqlite3InitModule from '@evolu/sqlite-wasm';
import { tell, whyOf } from '../told';
import { holdPool } from './opfs-pool';
import type { FilePool } from './records-pool';
import { StoreRefusedError } from './store-opening';

const TRIES = 8;
const BETWEEN_TRIES_MS = 250;

/** Take hold of the pool of files. The caller holds the lock of the one writer. */
export async function openFilePool(): Promise<FilePool> {
  const sqlite3 = await sqlite3InitModule();
  for (let attempt = 1; ; attempt++) {
    try {
      return await holdPool(sqlite3);
    } catch (error) {
      if (attempt === TRIES) throw refusal(error);
      await new Promise((resolve) => setTimeout(resolve, BETWEEN_TRIES_MS));
    }
  }
}

function refusal(error: unknown): StoreRefusedError {
  return new StoreRefusedError(tell('cannotOpen', { why: whyOf(error) }));
}
