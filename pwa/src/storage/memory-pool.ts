/**
 * A pool of encrypted files without a disk, for the tests alone: never imported by the app.
 *
 * The bytes of every file lie open to the test, and after each write it may keep what a power cut
 * would leave.
 */
import sqlite3InitModule, { type Sqlite3Static } from '@evolu/sqlite-wasm';
import type { FilePool } from './records-pool';
import { SqliteDatabase } from './sqlite-database';

/** Content of the files by their names. */
export type Files = Map<string, Uint8Array>;

export interface MemoryPool extends FilePool {
  readonly files: Files;
  /** Called after each change of a file. */
  onChange: () => void;
  /** Says whether the disk has room for a file of so many bytes; else a write of it fails. */
  hasRoom: (name: string, bytes: number) => boolean;
  /** Open a file without the encrypting layer's key, as an earlier version of the app did. */
  openPlain(name: string): SqliteDatabase;
}

let counted = 0;

/** Make a pool, holding what another one held. */
export async function openMemoryPool(held: Files = new Map()): Promise<MemoryPool> {
  const sqlite3 = await sqlite3InitModule();
  const name = `memory-${++counted}`;
  const files: Files = new Map([...held].map(([file, bytes]) => [file, bytes.slice()]));
  const pool: MemoryPool = {
    files,
    onChange: () => {},
    hasRoom: () => true,
    names: () => [...files.keys()],
    isPlain: (file) => new TextDecoder().decode(files.get(file)?.subarray(0, 15)) === PLAIN,
    open: (file) => connect(sqlite3, `multipleciphers-${name}`, file),
    openPlain: (file) => connect(sqlite3, name, file),
    unlink(file) {
      files.delete(file);
      pool.onChange();
    },
    addressOf: (file, key) => `file:${file}?vfs=multipleciphers-${name}&cipher=chacha20&key=${key}`,
  };
  installFiles(sqlite3, name, pool);
  (sqlite3.capi as unknown as Ciphers).sqlite3mc_vfs_create(name, 0);
  return pool;
}

const PLAIN = 'SQLite format 3';

interface Ciphers {
  sqlite3mc_vfs_create(underneath: string, isDefault: 0 | 1): number;
}

function connect(sqlite3: Sqlite3Static, vfs: string, filename: string): SqliteDatabase {
  return new SqliteDatabase(sqlite3, new sqlite3.oo1.DB({ filename, flags: 'c', vfs }));
}

/** What the types of the package leave out of the structures of C. */
interface Structures {
  SQLITE_IOCAP_UNDELETABLE_WHEN_OPEN: number;
  SQLITE_NOTFOUND: number;
  SQLITE_IOERR_SHORT_READ: number;
  SQLITE_IOERR_WRITE: number;
  sqlite3_vfs_find(name: null): number;
  sqlite3_io_methods: new () => { $iVersion: number; pointer: number };
  sqlite3_file: { new (at: number): { $pMethods: number; dispose(): void } } & {
    structInfo: { sizeof: number };
  };
  sqlite3_vfs: new (
    at?: number,
  ) => {
    $iVersion: number;
    $szOsFile: number;
    $mxPathname: number;
    $zName: number;
    $xRandomness: number;
    $xSleep: number;
  };
}

/** Put a file system of SQLite's kind over the map (https://sqlite.org/vfs.html). */
function installFiles(sqlite3: Sqlite3Static, name: string, pool: MemoryPool) {
  const { files } = pool;
  const { wasm } = sqlite3;
  const capi = sqlite3.capi as unknown as Structures;
  const io = new capi.sqlite3_io_methods();
  io.$iVersion = 1;
  const vfs = new capi.sqlite3_vfs();
  const before = new capi.sqlite3_vfs(capi.sqlite3_vfs_find(null));
  vfs.$iVersion = 2;
  vfs.$szOsFile = capi.sqlite3_file.structInfo.sizeof;
  vfs.$mxPathname = 512;
  vfs.$zName = wasm.allocCString(name, false) as unknown as number;
  vfs.$xRandomness = before.$xRandomness;
  vfs.$xSleep = before.$xSleep;

  const opened = new Map<number, string>();
  const nameOf = (at: number) => wasm.cstrToJs(at) as string;
  const contentOf = (file: number) => files.get(opened.get(file) ?? '') ?? new Uint8Array();
  const tell = (out: number, value: number) => {
    wasm.poke32(out, value);
    return 0;
  };
  const put = (file: number, length: number, bytes = new Uint8Array(), at = 0) => {
    if (!pool.hasRoom(opened.get(file) ?? '', length)) return capi.SQLITE_IOERR_WRITE;
    const next = new Uint8Array(length);
    next.set(contentOf(file).subarray(0, length));
    next.set(bytes, at);
    files.set(opened.get(file) ?? '', next);
    pool.onChange();
    return 0;
  };
  const ioMethods = {
    xCheckReservedLock: (_: number, out: number) => tell(out, 1),
    xDeviceCharacteristics: () => capi.SQLITE_IOCAP_UNDELETABLE_WHEN_OPEN,
    xFileControl: () => capi.SQLITE_NOTFOUND,
    xLock: () => 0,
    xUnlock: () => 0,
    xSectorSize: () => 4_096,
    xSync: () => 0,
    xClose(file: number) {
      opened.delete(file);
      return 0;
    },
    xFileSize(file: number, out: number) {
      wasm.poke64(out, BigInt(contentOf(file).length));
      return 0;
    },
    xRead(file: number, to: number, length: number, offset: bigint) {
      const found = contentOf(file).subarray(Number(offset), Number(offset) + length);
      const heap = wasm.heap8u();
      heap.set(found, to);
      heap.fill(0, to + found.length, to + length);
      return found.length < length ? capi.SQLITE_IOERR_SHORT_READ : 0;
    },
    xTruncate: (file: number, length: bigint) => put(file, Number(length)),
    xWrite(file: number, from: number, length: number, offset: bigint) {
      const at = Number(offset);
      const bytes = wasm.heap8u().slice(from, from + length);
      return put(file, Math.max(contentOf(file).length, at + length), bytes, at);
    },
  };
  const vfsMethods = {
    xAccess: (_: number, at: number, _flags: number, out: number) =>
      tell(out, files.has(nameOf(at)) ? 1 : 0),
    xCurrentTime(_: number, out: number) {
      wasm.poke(out, 2_461_000.5, 'double');
      return 0;
    },
    xDelete(_: number, at: number) {
      files.delete(nameOf(at));
      pool.onChange();
      return 0;
    },
    xFullPathname(_: number, at: number, length: number, out: number) {
      wasm.cstrncpy(out, at, length);
      return 0;
    },
    xGetLastError: () => 0,
    xOpen(_: number, at: number, file: number, flags: number, out: number) {
      const path = at === 0 ? `temporary-${opened.size}` : nameOf(at);
      if (!files.has(path)) files.set(path, new Uint8Array());
      opened.set(file, path);
      const handle = new capi.sqlite3_file(file);
      handle.$pMethods = io.pointer;
      handle.dispose();
      return tell(out, flags);
    },
  };
  const installed = {
    io: { struct: io, methods: ioMethods },
    vfs: { struct: vfs, methods: vfsMethods },
  };
  sqlite3.vfs.installVfs(installed as unknown as Parameters<typeof sqlite3.vfs.installVfs>[0]);
}
