/** The content of the key ring: one change after another, each written to both homes. */
import type { OpenSlot, PlainSlots, RingContent } from './key-ring-content';
import type { Argon } from './key-ring-cost';
import { writeBase64 } from './key-ring-crypto';
import { readHomes, writeHomes } from './key-ring-homes';
import type { RingShelves } from './key-ring-shelves';

export const KEY_BYTES = 32;
/** Counted from the last work at the case: a slot that was left behind closes then. */
const LIVE_MS = 12 * 3_600_000;

export interface RingSurroundings {
  /** Wall milliseconds. */
  nowMs(): number;
  /** Running time of this page, milliseconds; nobody sets it. */
  monotonicMs(): number;
  /** The mark of the share of the data key that the unit can open; null where there is none. */
  markOfShare(): Promise<string | null>;
  random(bytes: number): Uint8Array;
  argon: Argon;
}

export class RingTurns {
  readonly #shelves: RingShelves;
  readonly #around: RingSurroundings;
  #content: RingContent;
  #last: Promise<unknown> = Promise.resolve();

  private constructor(shelves: RingShelves, around: RingSurroundings, content: RingContent) {
    this.#shelves = shelves;
    this.#around = around;
    this.#content = content;
  }

  /**
   * Read the content, or begin one.
   *
   * @throws an error where a home that may hold the only key cannot be read: nothing is written then
   */
  static async open(shelves: RingShelves, around: RingSurroundings): Promise<RingTurns> {
    const { newest, slots, isSame } = await readHomes(shelves);
    const content = newest ?? {
      turn: 0,
      deviceSecret: writeBase64(around.random(KEY_BYTES)),
      people: [],
      pair: null,
      sealed: [],
      lastNumber: 0,
      notes: {},
      slots,
    };
    const turns = new RingTurns(shelves, around, { ...content, slots });
    await turns.#mend(isSame);
    return turns;
  }

  get content(): RingContent {
    return this.#content;
  }

  /** One change after another: each begins from what the one before has written. */
  inTurn<Answer>(work: () => Promise<Answer>): Promise<Answer> {
    const done = this.#last.then(work, work);
    this.#last = done.catch(() => {});
    return done;
  }

  /** Write the next turn; both places where a key is taken away, which an older copy still holds. */
  async write(content: RingContent, takesAway = false): Promise<void> {
    for (let time = 0; time < (takesAway ? 2 : 1); time++) {
      const next = { ...content, turn: this.#content.turn + 1 };
      await writeHomes(this.#shelves, next, takesAway);
      this.#content = next;
    }
  }

  writeSlots(slots: Partial<PlainSlots>, takesAway: boolean): Promise<void> {
    const next = { ...this.#content, slots: { ...this.#content.slots, ...slots } };
    return this.write(next, takesAway);
  }

  /** Whether a slot that opens records without a PIN still does so. */
  isOpenNow(slot: OpenSlot | null): slot is OpenSlot {
    return slot !== null && this.#around.nowMs() - slot.sinceMs < LIVE_MS;
  }

  /** Remove both homes; what lies in them was overwritten before. */
  async removeHomes(): Promise<void> {
    await Promise.all([this.#shelves.files.wipe(), this.#shelves.indexed.wipe()]);
  }

  /** Bring both homes to the newest turn; a home that refuses now is tried at the next write. */
  async #mend(isSame: boolean): Promise<void> {
    const { live, emergency } = this.#content.slots;
    const isLate = (slot: OpenSlot | null) => slot !== null && !this.isOpenNow(slot);
    if (isLate(live)) await this.writeSlots({ live: null }, true);
    if (isLate(emergency)) await this.writeSlots({ emergency: null }, true);
    if (!isSame && !isLate(live) && !isLate(emergency))
      await this.write(this.#content, true).catch(() => {});
  }
}
