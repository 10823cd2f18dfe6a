/** Numbered changes of the tablet's schema, each applied in one transaction with its record. */
import type { Database } from './database';
import createOperationLog from './migrations/0001_create_operation_log.sql?raw';
import keepForkedBranches from './migrations/0002_keep_forked_branches.sql?raw';
import dropOldCases from './migrations/0003_drop_old_cases.sql?raw';

/** The store was written by a newer version of the app. */
export class NewerStoreError extends Error {
  override name = 'NewerStoreError';
}

const MIGRATIONS: readonly string[] = [createOperationLog, keepForkedBranches, dropOldCases];

/**
 * Bring the schema up to date.
 *
 * @throws NewerStoreError when a newer version has already been here; nothing is changed
 */
export function applyMigrations(database: Database): void {
  const [found] = database.select('PRAGMA user_version');
  const applied = Number(found?.user_version ?? 0);
  if (applied > MIGRATIONS.length) {
    throw new NewerStoreError(
      'Nothing was changed. The records on this tablet were written by a newer version of the app. Connect to the unit once and reload to get that version.',
    );
  }
  for (const [place, script] of MIGRATIONS.entries()) {
    if (place < applied) continue;
    database.transaction(() => {
      database.exec(script);
      database.exec(`PRAGMA user_version = ${place + 1}`);
    });
  }
}
