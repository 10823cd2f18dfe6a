/** Which cases were dropped here, which records lie in them, and when one is whole again. */
import type { DroppedCase } from '../ports';
import type { Database } from './database';

/** Return the stubs of all dropped cases, the latest first. */
export function listDropped(database: Database): DroppedCase[] {
  return database
    .select('SELECT record, patient, dropped_ms FROM dropped_case ORDER BY dropped_ms DESC, record')
    .map((row) => ({
      record: String(row.record),
      patient: String(row.patient),
      droppedMs: Number(row.dropped_ms),
    }));
}

/** Say whether any case was dropped here. */
export function hasDropped(database: Database): boolean {
  return database.select('SELECT 1 FROM dropped_case LIMIT 1').length > 0;
}

/** Return the case with which a record was dropped, null when its bodies are here. */
export function droppedWith(database: Database, record: string): string | null {
  const [row] = database.select(
    'SELECT of_case FROM dropped_record WHERE record = ? AND came_later = 0',
    [record],
  );
  return row === undefined ? null : String(row.of_case);
}

/** Say whether a record is a case that was dropped. */
export function isDroppedCase(database: Database, record: string): boolean {
  return database.select('SELECT 1 FROM dropped_case WHERE record = ?', [record]).length > 0;
}

/** Note that something came for a dropped case: it is asked for before it is shown (SN6). */
export function wantDropped(database: Database, ofCase: string, record: string): void {
  database.exec('UPDATE dropped_case SET is_wanted = 1 WHERE record = ?', [ofCase]);
  database.exec(
    'INSERT OR IGNORE INTO dropped_record (record, of_case, came_later) VALUES (?, ?, 1)',
    [record, ofCase],
  );
}

/** Return the dropped cases that somebody waits for. */
export function wantedCases(database: Database): string[] {
  return database
    .select('SELECT record FROM dropped_case WHERE is_wanted = 1 ORDER BY record')
    .map((row) => String(row.record));
}

/** Return the records of a dropped case whose bodies are not all here. */
export function recordsInPart(database: Database, ofCase: string): string[] {
  return database
    .select(
      `SELECT DISTINCT dropped_record.record FROM dropped_record
       JOIN phrase ON phrase.text = dropped_record.record
       JOIN operation ON operation.record = phrase.id
       WHERE dropped_record.of_case = ? AND operation.body IS NULL
       ORDER BY dropped_record.record`,
      [ofCase],
    )
    .map((row) => String(row.record));
}

/** Forget that a case was dropped and return its records; the caller merges them. */
export function forgetDropped(database: Database, ofCase: string): string[] {
  const records = database
    .select('SELECT record FROM dropped_record WHERE of_case = ? ORDER BY record', [ofCase])
    .map((row) => String(row.record));
  database.exec('DELETE FROM dropped_record WHERE of_case = ?', [ofCase]);
  database.exec('DELETE FROM dropped_case WHERE record = ?', [ofCase]);
  return records;
}
