/** `Database` on a connection of the official SQLite build for the browser. */
import type { Database as Connection, PreparedStatement, Sqlite3Static } from '@evolu/sqlite-wasm';
import type { Bound, Database, Row } from './database';

/** The functions of SQLite as compiled: its own wrapper costs more than most statements do. */
interface Compiled {
  sqlite3_bind_null(statement: number, place: number): number;
  sqlite3_bind_int(statement: number, place: number, value: number): number;
  sqlite3_bind_int64(statement: number, place: number, value: bigint): number;
  sqlite3_bind_double(statement: number, place: number, value: number): number;
  sqlite3_bind_text(s: number, place: number, at: number, length: number, keep: number): number;
  sqlite3_bind_blob(s: number, place: number, at: number, length: number, keep: number): number;
  sqlite3_step(statement: number): number;
  sqlite3_reset(statement: number): number;
  sqlite3_column_type(statement: number, place: number): number;
  sqlite3_column_double(statement: number, place: number): number;
  sqlite3_column_text(statement: number, place: number): number;
  sqlite3_column_blob(statement: number, place: number): number;
  sqlite3_column_bytes(statement: number, place: number): number;
}

interface Prepared {
  statement: PreparedStatement;
  pointer: number;
  columns: readonly string[];
}

const ROW = 100;
const DONE = 101;
const [INTEGER, FLOAT, TEXT, BLOB] = [1, 2, 3, 4];
/** SQLite takes a copy of what is bound before the call returns. */
const TRANSIENT = -1;
/** Room for the texts and bytes of one statement; longer ones get their own for a moment. */
const ROOM_BYTES = 16_384;
/** Shorter texts are read sign by sign: a decoder costs more than they do. */
const SHORT = 48;

const encoder = new TextEncoder();
const decoder = new TextDecoder('utf-8', { ignoreBOM: true });

/** Wraps an open connection; statements are prepared once and kept. */
export class SqliteDatabase implements Database {
  readonly #sqlite3: Sqlite3Static;
  readonly #connection: Connection;
  readonly #compiled: Compiled;
  readonly #prepared = new Map<string, Prepared>();
  readonly #room: number;
  #rollbacks = 0;

  constructor(sqlite3: Sqlite3Static, connection: Connection) {
    this.#sqlite3 = sqlite3;
    this.#connection = connection;
    this.#compiled = sqlite3.wasm.exports as Compiled;
    this.#room = sqlite3.wasm.alloc(ROOM_BYTES) as number;
  }

  get rollbacks(): number {
    return this.#rollbacks;
  }

  exec(sql: string, bind?: readonly Bound[]): void {
    if (bind === undefined) {
      this.#connection.exec(sql);
      return;
    }
    const { pointer } = this.#prepare(sql);
    try {
      this.#bind(pointer, bind);
      this.#step(pointer);
    } finally {
      this.#compiled.sqlite3_reset(pointer);
    }
  }

  select(sql: string, bind: readonly Bound[] = []): Row[] {
    const { pointer, columns } = this.#prepare(sql);
    const rows: Row[] = [];
    try {
      this.#bind(pointer, bind);
      while (this.#step(pointer)) {
        const row: Row = {};
        for (let place = 0; place < columns.length; place++) {
          row[columns[place] as string] = this.#column(pointer, place);
        }
        rows.push(row);
      }
    } finally {
      this.#compiled.sqlite3_reset(pointer);
    }
    return rows;
  }

  transaction<Answer>(work: () => Answer): Answer {
    this.exec('BEGIN IMMEDIATE', []);
    let answer: Answer;
    try {
      answer = work();
      this.exec('COMMIT', []);
    } catch (error) {
      this.#rollbacks += 1;
      // SQLite has already rolled back by itself after some errors (disk full).
      try {
        this.exec('ROLLBACK', []);
      } catch {
        // Nothing left to roll back.
      }
      throw error;
    }
    return answer;
  }

  close(): void {
    for (const { statement } of this.#prepared.values()) statement.finalize();
    this.#prepared.clear();
    this.#sqlite3.wasm.dealloc(this.#room);
    this.#connection.close();
  }

  #prepare(sql: string): Prepared {
    const known = this.#prepared.get(sql);
    if (known !== undefined) return known;
    const statement = this.#connection.prepare(sql);
    const columns = statement.columnCount > 0 ? statement.getColumnNames() : [];
    const prepared = { statement, pointer: statement.pointer as number, columns };
    this.#prepared.set(sql, prepared);
    return prepared;
  }

  /** Every place is bound anew, so nothing of the run before is left. */
  #bind(pointer: number, bind: readonly Bound[]): void {
    const to = this.#compiled;
    for (let place = 1; place <= bind.length; place++) {
      const value = bind[place - 1] ?? null;
      let code: number;
      if (value === null) code = to.sqlite3_bind_null(pointer, place);
      else if (typeof value === 'number') code = this.#bindNumber(pointer, place, value);
      else code = this.#bindBytes(pointer, place, value);
      if (code !== 0) this.#fail(code);
    }
  }

  #bindNumber(pointer: number, place: number, value: number): number {
    const to = this.#compiled;
    if ((value | 0) === value) return to.sqlite3_bind_int(pointer, place, value);
    if (Number.isSafeInteger(value)) return to.sqlite3_bind_int64(pointer, place, BigInt(value));
    return to.sqlite3_bind_double(pointer, place, value);
  }

  #bindBytes(pointer: number, place: number, value: string | Uint8Array): number {
    const { wasm } = this.#sqlite3;
    const most = typeof value === 'string' ? value.length * 3 : value.length;
    const at = most > ROOM_BYTES ? (wasm.alloc(most) as number) : this.#room;
    try {
      const heap = wasm.heap8u();
      if (typeof value !== 'string') {
        heap.set(value, at);
        return this.#compiled.sqlite3_bind_blob(pointer, place, at, value.length, TRANSIENT);
      }
      const length = writeText(value, heap, at, most);
      return this.#compiled.sqlite3_bind_text(pointer, place, at, length, TRANSIENT);
    } finally {
      if (at !== this.#room) wasm.dealloc(at);
    }
  }

  /** Return whether there is a row. */
  #step(pointer: number): boolean {
    const code = this.#compiled.sqlite3_step(pointer);
    if (code === ROW) return true;
    if (code !== DONE) this.#fail(code);
    return false;
  }

  #column(pointer: number, place: number): Bound {
    const from = this.#compiled;
    switch (from.sqlite3_column_type(pointer, place)) {
      case INTEGER:
      case FLOAT:
        return from.sqlite3_column_double(pointer, place);
      case TEXT: {
        const at = from.sqlite3_column_text(pointer, place);
        const length = from.sqlite3_column_bytes(pointer, place);
        return readText(this.#sqlite3.wasm.heap8u(), at, length);
      }
      case BLOB: {
        const at = from.sqlite3_column_blob(pointer, place);
        const length = from.sqlite3_column_bytes(pointer, place);
        return this.#sqlite3.wasm.heap8u().slice(at, at + length);
      }
      default:
        return null;
    }
  }

  #fail(code: number): never {
    this.#sqlite3.oo1.DB.checkRc(this.#connection, code);
    throw new Error(`SQLite: ${code}`);
  }
}

function writeText(text: string, heap: Uint8Array, at: number, most: number): number {
  if (text.length <= SHORT) {
    let place = 0;
    for (; place < text.length; place++) {
      const sign = text.charCodeAt(place);
      if (sign > 127) break;
      heap[at + place] = sign;
    }
    if (place === text.length) return place;
  }
  return encoder.encodeInto(text, heap.subarray(at, at + most)).written;
}

function readText(heap: Uint8Array, at: number, length: number): string {
  if (length <= SHORT) {
    let text = '';
    let place = at;
    for (; place < at + length; place++) {
      const sign = heap[place] as number;
      if (sign > 127) break;
      text += String.fromCharCode(sign);
    }
    if (place === at + length) return text;
  }
  return decoder.decode(heap.subarray(at, at + length));
}
