/**
 * The ring in its two homes: read with patience, believed by its newest sound copy, written to both.
 *
 * Keys in the clear lie in the files alone: a database that appends would keep what was taken away.
 */
import {
  NO_SLOTS,
  type PlainSlots,
  type RingContent,
  readRing,
  writeRing,
} from './key-ring-content';
import type { RingShelf, RingShelves } from './key-ring-shelves';

/** A home that does not answer is read again after each of these waits. */
const READ_AGAIN_MS = [50, 200];

/** What the homes hold: the newest copy, its keys in the clear, and whether both are at its turn. */
interface HeldRing {
  newest: RingContent | null;
  slots: PlainSlots;
  /** What could not be read is no reason to write over it: it counts as the same. */
  isSame: boolean;
}

/**
 * Read both homes.
 *
 * @throws an error where a home that may hold the only key cannot be read
 */
export async function readHomes(shelves: RingShelves): Promise<HeldRing> {
  const [files, indexed] = await Promise.allSettled([
    readPatiently(shelves.files),
    readPatiently(shelves.indexed),
  ]);
  const inFiles = files.status === 'fulfilled' ? files.value : null;
  const inIndexed = indexed.status === 'fulfilled' ? indexed.value : null;
  const newest = later(inFiles, inIndexed);
  // A home that cannot be read may hold the only key of every record here; keys in the clear lie
  // in the files alone, so that where nobody has a PIN yet no other copy stands in for them.
  if (files.status === 'rejected' && !newest?.people.length) throw files.reason;
  if (newest === null && indexed.status === 'rejected') throw indexed.reason;
  const areRead = files.status === 'fulfilled' && indexed.status === 'fulfilled';
  return {
    newest,
    // Keys in the clear of an older turn were taken away meanwhile.
    slots: newest !== null && newest === inFiles ? newest.slots : NO_SLOTS,
    isSame: !areRead || (inFiles?.turn ?? 0) === (inIndexed?.turn ?? 0),
  };
}

/**
 * Write a turn to both homes.
 *
 * @param takesAway - keys in the clear are taken away, which lie in the files alone
 * @throws an error where no home, or not the one that is needed, took it
 */
export async function writeHomes(
  shelves: RingShelves,
  content: RingContent,
  takesAway: boolean,
): Promise<void> {
  const place = (content.turn % 2) as 0 | 1;
  const needsFiles = takesAway || hasSlot(content);
  const [files] = await Promise.allSettled([shelves.files.write(place, writeRing(content))]);
  // A newer turn without the keys in the clear would have them forgotten at the next start.
  if (files.status === 'rejected' && needsFiles) throw files.reason;
  const [indexed] = await Promise.allSettled([
    shelves.indexed.write(place, writeRing({ ...content, slots: NO_SLOTS })),
  ]);
  if (files.status === 'rejected' && indexed.status === 'rejected') throw files.reason;
}

function hasSlot({ slots }: RingContent): boolean {
  const { first, live, emergency, loose } = slots;
  return first !== null || live !== null || emergency !== null || (loose ?? []).length > 0;
}

/** Return the newest sound copy of a home, which may answer only at a further try. */
async function readPatiently(shelf: RingShelf): Promise<RingContent | null> {
  for (const waitMs of READ_AGAIN_MS) {
    try {
      return await newestOf(shelf);
    } catch {
      await new Promise((resolve) => setTimeout(resolve, waitMs));
    }
  }
  return newestOf(shelf);
}

/** Return the newest sound copy of a home. */
async function newestOf(shelf: RingShelf): Promise<RingContent | null> {
  const copies = (await shelf.read()).map(readRing);
  return copies.reduce(later, null);
}

function later(one: RingContent | null, other: RingContent | null): RingContent | null {
  if (one === null || other === null) return one ?? other;
  return other.turn > one.turn ? other : one;
}
