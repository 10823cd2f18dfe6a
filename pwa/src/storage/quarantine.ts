/** Operations that were not taken in, kept with the texts they came in and the reason. */
import type { Database } from './database';

/** Keep one, whether this tablet or the unit did not take it in; the same again changes nothing. */
export function setAside(
  database: Database,
  side: 'tablet' | 'unit',
  opId: string,
  envelope: string,
  body: string | null,
  sentence: string,
  wallMs: number,
): void {
  database.exec(
    `INSERT OR IGNORE INTO quarantine (side, op_id, envelope, body, sentence, found_ms)
     VALUES (?, ?, ?, ?, ?, ?)`,
    [side, opId, envelope, body, sentence, wallMs],
  );
}

/** Return how many lie in quarantine, and the latest reason. */
export function countAside(database: Database): { count: number; sentence: string } {
  const [row] = database.select(
    `SELECT count(*) AS count,
       coalesce((SELECT sentence FROM quarantine ORDER BY id DESC LIMIT 1), '') AS sentence
     FROM quarantine`,
  );
  return { count: Number(row?.count ?? 0), sentence: String(row?.sentence ?? '') };
}
