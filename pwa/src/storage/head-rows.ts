/**
 * Heads that other devices signed, as the unit or a file handed them out (SG12).
 *
 * They are not checked here: this tablet knows nobody's key but the unit's, and whoever is offered
 * them checks each.
 */
import type { CarriedHead } from '../sync/signing';
import type { Database } from './database';

/** So many of each log are kept, the highest ones. Project default. */
export const HEADS_KEPT = 1_000;

/** Keep heads; the same one once. */
export function keepHeads(database: Database, heads: readonly CarriedHead[]): void {
  const logs = new Map<string, [device: string, epoch: string]>();
  for (const head of heads) {
    const [device, epoch] = head;
    database.exec('INSERT OR IGNORE INTO signed_head VALUES (?, ?, ?, ?, ?)', [...head]);
    logs.set(`${device}.${epoch}`, [device, epoch]);
  }
  for (const [device, epoch] of logs.values()) {
    database.exec(
      `DELETE FROM signed_head WHERE device = ? AND epoch = ? AND counter < (
         SELECT counter FROM signed_head WHERE device = ? AND epoch = ?
         ORDER BY counter DESC LIMIT 1 OFFSET ?)`,
      [device, epoch, device, epoch, HEADS_KEPT - 1],
    );
  }
}

/**
 * Return the heads over a stretch of one log: those within it, and the first one from its last
 * entry on; so many at most, the highest ones.
 *
 * @param first - counter of its first entry
 * @param last - counter of its last entry
 */
export function headsOver(
  database: Database,
  [device, epoch]: readonly [device: string, epoch: string],
  { first, last, most }: { first: number; last: number; most: number },
): CarriedHead[] {
  return database
    .select(
      `SELECT * FROM signed_head WHERE device = ? AND epoch = ? AND counter BETWEEN ?
         AND ifnull((SELECT min(counter) FROM signed_head
           WHERE device = ? AND epoch = ? AND counter >= ?), ?)
       ORDER BY counter DESC, hash, signature LIMIT ?`,
      [device, epoch, first, device, epoch, last, last, most],
    )
    .map((row) => [
      String(row.device),
      String(row.epoch),
      Number(row.counter),
      String(row.hash),
      String(row.signature),
    ]);
}
