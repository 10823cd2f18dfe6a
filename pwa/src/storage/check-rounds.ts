/** The check of log and states while the app runs, a piece at a time, with time left to taps. */
import { tell } from '../told';
import type { OperationStore } from './operation-store';
import { type CheckedRecords, checkRecords } from './store-check';

/** Records in one piece, and the time between two pieces. */
const CHECKED_AT_ONCE = 50;
const BETWEEN_CHECKS_MS = 300;

interface Surroundings {
  nowMs(): number;
  /** Call once after so many milliseconds. */
  later(waitMs: number, work: () => void): void;
  onRecords(records: string[]): void;
  /** Everything was checked, and so many operations were altered: they have to be asked for again. */
  onAltered(count: number): void;
}

/** Check every record once, from the first on [REL-13]. */
export function checkInRounds(store: OperationStore, around: Surroundings): void {
  checkAfter(store, around, '', 0);
}

function checkAfter(
  store: OperationStore,
  around: Surroundings,
  record: string,
  alteredBefore: number,
): void {
  around.later(BETWEEN_CHECKS_MS, () => {
    let checked: CheckedRecords;
    try {
      checked = checkNext(store, around, record);
    } catch {
      // A disk that refuses now: nothing was changed, and the same piece comes again.
      checkAfter(store, around, record, alteredBefore);
      return;
    }
    const { next, altered, mended } = checked;
    if (mended.length > 0) around.onRecords(mended);
    const count = alteredBefore + altered.length;
    if (next !== null) checkAfter(store, around, next, count);
    else if (count > 0) around.onAltered(count);
  });
}

function checkNext(store: OperationStore, { nowMs }: Surroundings, record: string): CheckedRecords {
  const { database, catalogue } = store;
  return checkRecords(database, catalogue, record, CHECKED_AT_ONCE, ({ opId, envelope, body }) => {
    const sentence = tell('altered', { entry: opId });
    store.setAside('tablet', opId, envelope, body, sentence, nowMs());
  });
}
