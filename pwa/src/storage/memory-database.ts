/** The same SQLite without a disk, for the tests alone: never imported by the app. */
import sqlite3InitModule from '@evolu/sqlite-wasm';
import { SqliteDatabase } from './sqlite-database';

/** A database whose file can be taken out and opened again, as after a restart. */
export interface MemoryDisk {
  database: SqliteDatabase;
  /**
   * Close nothing, keep nothing but the bytes of the file: what a restart would find.
   *
   * @param harm - what happens to the bytes in between
   */
  reopen(harm?: (bytes: Uint8Array) => void): MemoryDisk;
}

/** Return a fresh database in memory. */
export async function openMemoryDisk(): Promise<MemoryDisk> {
  const sqlite3 = await sqlite3InitModule();
  const opened = (bytes: Uint8Array | null): MemoryDisk => {
    const connection = new sqlite3.oo1.DB(':memory:', 'c');
    const pointer = connection.pointer;
    if (pointer === undefined) throw new Error('no connection');
    if (bytes !== null) {
      const place = sqlite3.wasm.allocFromTypedArray(bytes);
      const { SQLITE_DESERIALIZE_FREEONCLOSE, SQLITE_DESERIALIZE_RESIZEABLE } = sqlite3.capi;
      const code = sqlite3.capi.sqlite3_deserialize(
        pointer,
        'main',
        place,
        bytes.length,
        bytes.length,
        SQLITE_DESERIALIZE_FREEONCLOSE | SQLITE_DESERIALIZE_RESIZEABLE,
      );
      connection.checkRc(code);
    }
    return {
      database: new SqliteDatabase(sqlite3, connection),
      reopen(harm) {
        const bytes = sqlite3.capi.sqlite3_js_db_export(pointer);
        harm?.(bytes);
        return opened(bytes);
      },
    };
  };
  return opened(null);
}
