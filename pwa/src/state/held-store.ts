/** For tests: the real store in memory, behind the port that the screens use. */
import type { Clock, Draft, RecordStore } from '../ports';
import { packagedCatalogue } from '../record-catalogue/packaged-catalogue';
import { openMemoryDisk } from '../storage/memory-database';
import { OperationStore } from '../storage/operation-store';

/**
 * Open a bedside tablet's store that works alone; each save is a millisecond after the one before.
 *
 * @param more - what else of the port the test asks for
 */
export async function openHeldStore(clock: Pick<Clock, 'nowMs'>, more: Partial<RecordStore> = {}) {
  const held = new OperationStore((await openMemoryDisk()).database, packagedCatalogue());
  held.becomeDevice(
    { device: 'tab-a', role: 'bedside', token: null, unitName: '', streams: [] },
    'epoch1',
  );
  const listeners = new Set<(records: string[]) => void>();
  let made = 0;
  const store = {
    read: async (query: Parameters<OperationStore['read']>[0]) => held.read(query),
    history: async (record: string) => held.history(record),
    conflicts: async () => held.conflicts(),
    save: async (drafts: readonly Draft[], who: { by: string; tappedBy: string }) => {
      made += 1;
      const saved = held.save(drafts, who, {
        wallMs: clock.nowMs() + made,
        newSalt: () => made.toString(16).padStart(32, '0'),
      });
      for (const tell of listeners) tell(saved.records.map((one) => one.record));
      return { kind: 'saved' as const, ...saved };
    },
    onRecords: (listener: (records: string[]) => void) => {
      listeners.add(listener);
      return () => listeners.delete(listener);
    },
    onExchange: () => () => {},
    remember: async () => {},
    recall: async () => null,
    ...more,
  } as unknown as RecordStore;
  return { store, held };
}
