/** Keeps the screen awake while it is wanted, and says honestly whether it is (HAZ-18). */

/** The browser's own lock. */
export interface WakeLockPort {
  /** False where this browser has no such lock at all. */
  readonly isKnown: boolean;
  /** Ask for the lock; null where it is refused now (page hidden, battery low). */
  request(): Promise<{ onRelease(listener: () => void): void; release(): void } | null>;
  /** Call each time the page can be seen again. */
  onVisible(listener: () => void): void;
}

/** `not-asked`: no screen wants it now, so the tablet's own setting rules. */
export type ScreenStanding = 'kept-on' | 'may-sleep' | 'cannot-keep' | 'not-asked';

export class ScreenKeeper {
  readonly #port: WakeLockPort;
  #wanted = false;
  #held: { release(): void } | null = null;
  #isAsking = false;
  state = $state<ScreenStanding>('not-asked');

  constructor(port: WakeLockPort) {
    this.#port = port;
    // The lock is dropped whenever the page is hidden; ask again on each return (HAZ-18).
    port.onVisible(() => void this.look());
  }

  /** Whether this browser can keep the screen on at all. */
  get isKnown(): boolean {
    return this.#port.isKnown;
  }

  /** Say whether the screen on view wants to be kept on. */
  want(wanted: boolean): void {
    if (wanted === this.#wanted) return;
    this.#wanted = wanted;
    void this.look();
  }

  /** Make what is held agree with what is wanted; ask again where the lock was lost. */
  async look(): Promise<void> {
    if (!this.#wanted) {
      this.#held?.release();
      this.#held = null;
      this.state = 'not-asked';
      return;
    }
    if (!this.#port.isKnown) {
      this.state = 'cannot-keep';
      return;
    }
    if (this.#held !== null || this.#isAsking) return;
    this.#isAsking = true;
    const lock = await this.#port.request();
    this.#isAsking = false;
    if (lock === null) {
      if (this.#wanted) this.state = 'may-sleep';
      return;
    }
    this.#held = lock;
    lock.onRelease(() => {
      if (this.#held !== lock) return;
      this.#held = null;
      if (this.#wanted) this.state = 'may-sleep';
    });
    // No longer wanted since it was asked for: given back at once.
    if (this.#wanted) this.state = 'kept-on';
    else await this.look();
  }
}
