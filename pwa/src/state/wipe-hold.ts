/**
 * When a wiped screen opens again: one finger, on the one spot, for one second (HAZ-24).
 *
 * A cloth or a drop makes many touches at once; two of them spoil the hold, and it begins anew with a first touch alone.
 * Pure; times come from a clock that never jumps while awake.
 */

export const HOLD_MS = 1_000;

export class WipeHold {
  readonly #down = new Set<number>();
  #sinceMs: number | null = null;

  /** Whether the hold is running. */
  get isHeld(): boolean {
    return this.#sinceMs !== null;
  }

  /** @param isOnSpot - the touch began on the spot to be held */
  touch(pointer: number, isOnSpot: boolean, nowMs: number): void {
    this.#down.add(pointer);
    this.#sinceMs = isOnSpot && this.#down.size === 1 ? nowMs : null;
  }

  /** A finger slid; off the spot the hold is over. */
  slide(isOnSpot: boolean): void {
    if (!isOnSpot) this.#sinceMs = null;
  }

  /**
   * A finger left; returns whether the screen opens now. Not before: a finger that still lies on
   * the screen would press what comes up under it.
   */
  lift(pointer: number, nowMs: number): boolean {
    const isDone = this.isDone(nowMs);
    this.#down.delete(pointer);
    this.#sinceMs = null;
    return isDone;
  }

  /** Say whether it was held for long enough. */
  isDone(nowMs: number): boolean {
    return this.#sinceMs !== null && nowMs - this.#sinceMs >= HOLD_MS;
  }
}
