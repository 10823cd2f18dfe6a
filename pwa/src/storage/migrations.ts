/** Numbered changes of the tablet's schema, each applied in one transaction with its record. */
import { tell } from '../told';
import type { Database } from './database';
import createOperationLog from './migrations/0001_create_operation_log.sql?raw';
import keepForkedBranches from './migrations/0002_keep_forked_branches.sql?raw';
import dropOldCases from './migrations/0003_drop_old_cases.sql?raw';
import squeezeOperations from './migrations/0004_squeeze_operations.sql?raw';
import noteAccessAndErasure from './migrations/0005_note_access_and_erasure.sql?raw';
import keepSignedHeads from './migrations/0006_keep_signed_heads.sql?raw';
import { carryOperations } from './squeezed-operations';

/** The store was written by a newer version of the app. */
export class NewerStoreError extends Error {
  override name = 'NewerStoreError';
}

interface Migration {
  script: string;
  /** What SQL alone cannot do, in the same transaction. */
  carry?(database: Database): void;
}

const MIGRATIONS: readonly Migration[] = [
  { script: createOperationLog },
  { script: keepForkedBranches },
  { script: dropOldCases },
  { script: squeezeOperations, carry: carryOperations },
  { script: noteAccessAndErasure },
  { script: keepSignedHeads },
];

/**
 * Bring the schema up to date.
 *
 * @throws NewerStoreError when a newer version has already been here; nothing is changed
 */
export function applyMigrations(database: Database): void {
  const [found] = database.select('PRAGMA user_version');
  const applied = Number(found?.user_version ?? 0);
  if (applied > MIGRATIONS.length) {
    throw new NewerStoreError(tell('newerApp'));
  }
  for (const [place, { script, carry }] of MIGRATIONS.entries()) {
    if (place < applied) continue;
    database.transaction(() => {
      database.exec(script);
      carry?.(database);
      database.exec(`PRAGMA user_version = ${place + 1}`);
    });
  }
  if (applied > 0 && applied < MIGRATIONS.length) giveBackRoom(database);
}

/** What was moved leaves its old pages behind; where the disk has no room for that, they stay. */
function giveBackRoom(database: Database): void {
  try {
    database.exec('VACUUM');
  } catch {
    // The store is whole either way, and the pages are used for what comes.
  }
}
