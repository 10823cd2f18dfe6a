/** `Database` on a connection of the official SQLite build for the browser. */
import type { Database as Connection, PreparedStatement } from '@sqlite.org/sqlite-wasm';
import type { Bound, Database, Row } from './database';

/** Wraps an open connection; statements are prepared once and kept. */
export class SqliteDatabase implements Database {
  readonly #connection: Connection;
  readonly #prepared = new Map<string, PreparedStatement>();

  constructor(connection: Connection) {
    this.#connection = connection;
  }

  exec(sql: string, bind?: readonly Bound[]): void {
    if (bind === undefined) {
      this.#connection.exec(sql);
      return;
    }
    const statement = this.#prepare(sql);
    try {
      if (bind.length > 0) statement.bind([...bind]);
      statement.step();
    } finally {
      statement.reset(true);
    }
  }

  select(sql: string, bind: readonly Bound[] = []): Row[] {
    const statement = this.#prepare(sql);
    const rows: Row[] = [];
    try {
      if (bind.length > 0) statement.bind([...bind]);
      while (statement.step()) rows.push(statement.get({}) as Row);
    } finally {
      statement.reset(true);
    }
    return rows;
  }

  transaction<Answer>(work: () => Answer): Answer {
    this.#connection.exec('BEGIN IMMEDIATE');
    let answer: Answer;
    try {
      answer = work();
      this.#connection.exec('COMMIT');
    } catch (error) {
      // SQLite has already rolled back by itself after some errors (disk full).
      try {
        this.#connection.exec('ROLLBACK');
      } catch {
        // Nothing left to roll back.
      }
      throw error;
    }
    return answer;
  }

  close(): void {
    for (const statement of this.#prepared.values()) statement.finalize();
    this.#prepared.clear();
    this.#connection.close();
  }

  #prepare(sql: string): PreparedStatement {
    const known = this.#prepared.get(sql);
    if (known !== undefined) return known;
    const statement = this.#connection.prepare(sql);
    this.#prepared.set(sql, statement);
    return statement;
  }
}
