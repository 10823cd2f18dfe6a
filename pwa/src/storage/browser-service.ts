/** The store's service on what this browser gives: clock, chance, timers. */
import { BUILD } from '../device/build';
import { randomFraction, randomHex, randomText } from '../device/chance';
import { isPersisted } from '../device/persistence';
import { readStorageRoom } from '../device/storage-room';
import type { ExchangeStanding } from '../ports';
import type { OpenedRecords } from './opened-records';
import { StoreService } from './store-service';
import type { TabletHolder } from './tablet-holder';

/** Call once after so many milliseconds; returns how to call it off. */
export function later(waitMs: number, work: () => void): () => void {
  const timer = setTimeout(work, waitMs);
  return () => clearTimeout(timer);
}

/** Return the service over opened records; it is not yet started. */
export function serviceOf(
  { store, keeper, pictureFiles }: OpenedRecords,
  holder: TabletHolder,
  tell: (message: { records: string[] } | { exchange: ExchangeStanding }) => void,
): StoreService {
  return new StoreService(store, keeper, holder.requests, {
    nowMs: () => Date.now(),
    newEpoch: () => randomText(8),
    newSalt: () => randomHex(16),
    newDeviceId: () => randomText(10),
    signer: holder.signer,
    ...(pictureFiles && { pictureFiles }),
    tells: {
      build: BUILD,
      readStorage: async () => ({ isKept: await isPersisted(), ...(await readStorageRoom()) }),
    },
    chance: randomFraction,
    later,
    onRecords: (records) => tell({ records }),
    onExchange: (exchange) => {
      tell({ exchange });
      holder.noteExchange();
    },
  });
}
