/** How the second copy lies on the disk: who and how far in clear, every entry encrypted. */
import type { CopyHead } from './second-copy';

/**
 * One own entry as it lies there. In clear are its place in the log and the two hashes that chain
 * it, by which a locked tablet signs what it sends; no word of what was recorded.
 */
export interface ProtectedEntry {
  epoch: string;
  counter: number;
  hash: string;
  previous: string;
  takenInMs: number;
  /** Opens with the data key of this tablet. */
  closed: Uint8Array<ArrayBuffer>;
  /** Opens with the key of the unit server; null before the tablet has joined. */
  sealed: Uint8Array<ArrayBuffer> | null;
}

export interface ShelfContent {
  head: CopyHead | null;
  entries: ProtectedEntry[];
  /** Entries that an earlier version of the app wrote plain. */
  plain: PlainEntry[];
}

/** An entry as an earlier version of the app wrote it. */
export interface PlainEntry {
  epoch: string;
  counter: number;
  envelope: string;
  body: string;
  draftId: string | null;
  takenInMs: number;
}

export interface ShelfChange {
  head: CopyHead;
  add: readonly ProtectedEntry[];
  /** Drop what lies before this counter of an epoch. */
  drop: readonly { epoch: string; before: number }[];
}

/** Where the copy lies; the same place holds it locked and open. */
export interface CopyShelf {
  /** Rejects when the store cannot be read: that is not the same as holding nothing. */
  read(): Promise<ShelfContent>;
  /** Resolves once the change is on the disk; rejects when nothing of it is. */
  write(change: ShelfChange): Promise<void>;
  readTrace(): Promise<string | null>;
  writeTrace(device: string): Promise<void>;
  /** Remove all of it. */
  wipe(): Promise<void>;
}
