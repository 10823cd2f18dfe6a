/** Which records the unit destroyed the content of, and what may be kept of them. */
import type { Operation } from '../sync/operation';
import type { Database } from './database';

/** Condition on the rows of `operation`: its record was erased. */
export const IS_ERASED = `operation.record IN (SELECT phrase.id FROM erased_record
  JOIN phrase ON phrase.text = erased_record.record)`;

/** Say whether the content of a record was destroyed by the unit. */
export function isErased(database: Database, record: string): boolean {
  return (
    database.select('SELECT 1 FROM erased_record WHERE record = ? LIMIT 1', [record]).length > 0
  );
}

/** Return an operation as it may be kept: without the body of an erased record (ER3). */
export function withheldIfErased(database: Database, operation: Operation): Operation {
  if (operation.bodyText === null || !isErased(database, operation.record)) return operation;
  return { ...operation, bodyText: null };
}
