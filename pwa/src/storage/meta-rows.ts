/** Small facts of this tablet, kept beside the log and never exchanged. */
import type { Database } from './database';

/** Return what is kept under a name, null when nothing is. */
export function readMeta<Content>(database: Database, name: string): Content | null {
  const [row] = database.select('SELECT content FROM meta WHERE name = ?', [name]);
  return row === undefined ? null : (JSON.parse(String(row.content)) as Content);
}

/** Keep content (any JSON) under a name; null forgets it. */
export function writeMeta(database: Database, name: string, content: unknown): void {
  if (content === null) {
    database.exec('DELETE FROM meta WHERE name = ?', [name]);
    return;
  }
  database.exec(
    `INSERT INTO meta (name, content) VALUES (?, ?)
     ON CONFLICT (name) DO UPDATE SET content = excluded.content`,
    [name, JSON.stringify(content)],
  );
}
