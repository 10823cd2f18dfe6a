/** The little that the store asks of SQLite, so that it runs in the worker and in the tests. */

export type Bound = string | number | null | Uint8Array;
export type Row = Record<string, Bound>;

/** One connection. Every call is synchronous: nothing can come between two of them. */
export interface Database {
  /** Run one statement (or, without `bind`, a script of several). */
  exec(sql: string, bind?: readonly Bound[]): void;
  /** Return all rows of one query, column names as keys. */
  select(sql: string, bind?: readonly Bound[]): Row[];
  /** Run the work in one transaction: all of it is committed, or none when it throws. */
  transaction<Answer>(work: () => Answer): Answer;
  /** Grows with every rollback: what was kept in memory of the file may lie there no more. */
  readonly rollbacks: number;
  close(): void;
}
