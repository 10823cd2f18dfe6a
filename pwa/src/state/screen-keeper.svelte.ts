/** Keeps the screen awake while it is wanted, and says honestly whether it is. */

/** The browser's own lock; `null` where it has none. */
export interface WakeLockPort {
  request(): Promise<{ onRelease(listener: () => void): void; release(): void } | null>;
  onVisible(listener: () => void): void;
}

export class ScreenKeeper {
  #port: WakeLockPort;
  #wanted = false;
  #held: { release(): void } | null = null;
  state = $state<'kept-on' | 'may-sleep' | 'not-asked'>('not-asked');

  constructor(port: WakeLockPort) {
    this.#port = port;
    // The lock is dropped whenever the page is hidden; ask again on each return (HAZ-18).
    port.onVisible(() => void this.#settle());
  }

  want(wanted: boolean): void {
    if (wanted === this.#wanted) return;
    this.#wanted = wanted;
    void this.#settle();
  }

  async #settle(): Promise<void> {
    if (!this.#wanted) {
      this.#held?.release();
      this.#held = null;
      this.state = 'not-asked';
      return;
    }
    if (this.#held) return;
    const lock = await this.#port.request();
    if (lock === null) {
      this.state = 'may-sleep';
      return;
    }
    this.#held = lock;
    this.state = 'kept-on';
    lock.onRelease(() => {
      this.#held = null;
      if (this.#wanted) this.state = 'may-sleep';
    });
  }
}
