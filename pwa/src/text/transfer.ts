/** Sentences for files that carry operations to a place without a network (HAZ-36, HAZ-37). */
import type { TakenIn } from '../ports';
import { say, withMore, words } from './say';

export const transfer = withMore(words('transfer'), {
  saved: (count: number) => say('transfer.saved', { count }),
  notOpened: (why: string) => say('transfer.notOpened', { why }),
  failed: (why: string) => say('transfer.failed', { why }),
  takenIn({ taken, known, waiting, left, setAside }: TakenIn): string[] {
    return [
      say('transfer.taken', { taken, known }),
      ...(waiting > 0 ? [say('transfer.waiting', { count: waiting })] : []),
      ...(left > 0 ? [say('transfer.left', { count: left })] : []),
      ...(setAside > 0 ? [say('transfer.setAside', { count: setAside })] : []),
    ];
  },
});

/** Return the name of a saved file; it tells device and day, no patient. */
export function nameOfFile(device: string, today: string): string {
  return `crura-${device}-${today}.crura`;
}

/** Cases that were dropped here (they are at the unit). */
export const keptAtUnit = withMore(words('kept'), {
  bringBackOf: (name: string) => say('kept.bringBackOf', { name }),
});
