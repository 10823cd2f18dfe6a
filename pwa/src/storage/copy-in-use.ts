/** The copy of records that are open in this worker, as those see it who send from it beside them. */
import type { CopyShelf } from './copy-shelf';

/**
 * Return a view of a copy that somebody else writes: what the unit has taken is kept in memory
 * alone, so that no head is put back to an older one and nothing is dropped under its keeper.
 */
export function watchCopy(shelf: CopyShelf): CopyShelf {
  const held = new Map<string, number>();
  const heldOf = (epoch: string, noted: number) => Math.max(noted, held.get(epoch) ?? 0);
  return {
    async read() {
      const { head, ...rest } = await shelf.read();
      if (head?.logs === undefined) return { head, ...rest };
      const logs = head.logs.map((log) => ({
        ...log,
        heldByUnit: heldOf(log.epoch, log.heldByUnit),
      }));
      return { head: { ...head, logs }, ...rest };
    },
    async write({ head }) {
      for (const { epoch, heldByUnit } of head.logs ?? []) {
        held.set(epoch, heldOf(epoch, heldByUnit));
      }
    },
    readTrace: () => shelf.readTrace(),
    writeTrace: async () => {},
    wipe: () => shelf.wipe(),
  };
}
