/** What passes between the page and the store's worker. */
import type {
  DeviceStanding,
  ExchangeStanding,
  KeyKeeper,
  OpenAnswer,
  PictureStore,
  RecordStore,
} from '../ports';

/** Calls of `RecordStore` that the worker answers. */
export type StoreCall =
  | Exclude<keyof RecordStore, 'onRecords' | 'onExchange' | 'hubRecords'>
  | keyof PictureStore
  | keyof KeyKeeper;

/** Calls on a store that is open. */
export type AnsweredCall = Exclude<StoreCall, 'open' | keyof KeyKeeper>;

export interface StoreRequest {
  id: number;
  call: StoreCall;
  given: readonly unknown[];
}

/** The page says that the network is back or that it can be seen again. */
export interface Nudge {
  nudge: true;
}

export type ToWorker = StoreRequest | Nudge;

export type FromWorker =
  | { id: number; answer: unknown }
  | { id: number; failure: string }
  | { records: string[] }
  | { exchange: ExchangeStanding }
  /** Which build the worker is, said once when it starts (HAZ-27). */
  | { build: string }
  /** The other window has closed: this one can open the store now. */
  | { isFree: true }
  /** Everything on this tablet was removed; the sentence says why. */
  | { wiped: string };

/** What the worker says to `open`; whether storage persists is asked by the page. */
export type WorkerOpenAnswer =
  | { kind: 'open'; standing: DeviceStanding | null; isEmergency?: boolean }
  | Exclude<OpenAnswer, { kind: 'open' }>;
