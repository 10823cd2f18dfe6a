/**
 * The second copy: what of the own log the unit does not hold yet, kept in another store.
 *
 * The log lies in the browser's private file system; this copy lies in IndexedDB. The two break
 * for different reasons: a browser that was killed may throw all of IndexedDB away and leaves the
 * file alone, and a file that is lost or damaged leaves IndexedDB alone. A second file beside
 * the first would share the first one's folder, handles and bookkeeping. The log is written
 * first and alone makes an entry count as saved; the copy follows within milliseconds [REL-14].
 */
import type { HighWaterMark } from './high-water-mark';
import type { OwnDevice } from './operation-store';

/** One own operation as it travels, with what only this tablet knows of it. */
export interface CopiedOperation {
  epoch: string;
  counter: number;
  envelope: string;
  body: string;
  draftId: string | null;
  takenInMs: number;
}

/** Where one epoch of the own log ends, and how far the unit holds it. */
export interface OwnLog {
  epoch: string;
  counter: number;
  hash: string;
  heldByUnit: number;
  isForked: boolean;
}

/** The mark of the log; a copy of an older version of the app holds the mark alone. */
export interface CopyHead extends HighWaterMark {
  own?: OwnDevice;
  logs?: OwnLog[];
  lastStamp?: string | null;
}

export interface CopyContent {
  head: CopyHead | null;
  operations: CopiedOperation[];
}

/** What one write of the copy changes, all of it or nothing. */
export interface CopyChange {
  head: CopyHead;
  add: readonly CopiedOperation[];
  /** Drop what lies before this counter of an epoch. */
  drop: readonly { epoch: string; before: number }[];
}

export interface SecondCopy {
  /** Rejects when the store cannot be read: that is not the same as holding nothing. */
  read(): Promise<CopyContent>;
  /** Resolves once the change is on the disk; rejects when nothing of it is. */
  write(change: CopyChange): Promise<void>;
  /** Return the device that a third store remembers, null when it remembers none. */
  readTrace(): Promise<string | null>;
  writeTrace(device: string): Promise<void>;
}
