/** What the store's service is given from outside, so that the tests run it as it is. */
import type { Signer } from '../network/push-signing';
import type { StorageFacts } from '../network/standing-telling';
import type { ExchangeStanding } from '../ports';
import type { PictureFiles } from './picture-files';

export interface ServiceSurroundings {
  nowMs(): number;
  newSalt(): string;
  newEpoch(): string;
  newDeviceId(): string;
  /** A fraction from 0 to 1. */
  chance(): number;
  /** Call once after so many milliseconds; returns how to call it off. */
  later(waitMs: number, work: () => void): () => void;
  onRecords(records: string[]): void;
  onExchange(standing: ExchangeStanding): void;
  /** What this device signs with; null where the browser gives no key. */
  signer?: Signer | null;
  /** Where bytes of pictures lie; left out in tests that have none. */
  pictureFiles?: PictureFiles;
  /** What this device tells its unit of itself; left out in tests that tell nothing. */
  tells?: { build: string; readStorage(): Promise<StorageFacts> };
}
