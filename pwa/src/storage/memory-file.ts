/** SQLite files in memory: to write a bundle and to read one, never to keep the record. */
import sqlite3InitModule from '@evolu/sqlite-wasm';
import type { MemoryFile } from './bundle';
import { SqliteDatabase } from './sqlite-database';

let loading: ReturnType<typeof sqlite3InitModule> | null = null;

/** Make an empty file, or open the bytes of one for reading. */
export async function openMemoryFile(content: Uint8Array | null): Promise<MemoryFile> {
  loading ??= sqlite3InitModule();
  const sqlite3 = await loading;
  const { capi, wasm } = sqlite3;
  const connection = new sqlite3.oo1.DB(':memory:', 'c');
  const pointer = connection.pointer;
  if (pointer === undefined) throw new Error('no connection');
  if (content !== null) {
    const place = wasm.allocFromTypedArray(content);
    const flags = capi.SQLITE_DESERIALIZE_FREEONCLOSE | capi.SQLITE_DESERIALIZE_READONLY;
    const code = capi.sqlite3_deserialize(
      pointer,
      'main',
      place,
      content.length,
      content.length,
      flags,
    );
    connection.checkRc(code);
  }
  return {
    database: new SqliteDatabase(sqlite3, connection),
    bytes: () => new Uint8Array(capi.sqlite3_js_db_export(pointer)),
  };
}
