/** A new build of the app: it waits through a live case and is let in by a press (HAZ-27). */

/** The browser's service worker. */
export interface UpdatePort {
  /** Begin to watch: a new build is loaded and waits; another build has taken over the page. */
  watch(heard: { onWaiting(): void; onTakenOver(): void }): Promise<void>;
  /** Ask the unit whether there is a new build. */
  look(): void;
  /** Let the waiting build take over. */
  letIn(): void;
  reload(): void;
  wait(ms: number): Promise<void>;
  /** Keep the files of this build through a kill, for a case that is live. */
  hold(): Promise<void>;
  /** Drop them: no case is live. Returns whether any were kept. */
  release(): Promise<boolean>;
  /** The build whose files are handed out to this page; null when it cannot be told. */
  servedBuild(): Promise<string | null>;
}

/** What keeps a new build out now. */
export interface UpdateObstacles {
  /** A case is in procedure on this tablet. */
  hasLiveCase(): Promise<boolean>;
  /** Something on screen was not saved. */
  hasUnsaved(): boolean;
}

export type UpdateStanding = 'none' | 'waits-for-case' | 'waits-for-saving' | 'ready';

/** No more often than this is the unit asked for a new build. */
const LOOK_EVERY_MS = 3_600_000;
/** A build that was let in takes over within two seconds, or not for minutes. Project default. */
const TAKE_OVER_MS = 5_000;

export class AppUpdate {
  readonly #port: UpdatePort;
  readonly #obstacles: UpdateObstacles;
  /** Builds of the page and of the store's worker, which brings the schema. */
  readonly page: string;
  #worker = $state<string | null>(null);
  #served = $state<string | null>(null);
  #isWaiting = $state(false);
  #isLive = $state(true);
  #isTakenOver = $state(false);
  #lookedMs: number | null = null;
  /** One after the other: a case may end while its build is still being kept. */
  #holding: Promise<void> = Promise.resolve();

  constructor(port: UpdatePort, obstacles: UpdateObstacles, page: string) {
    this.#port = port;
    this.#obstacles = obstacles;
    this.page = page;
    void port.watch({
      onWaiting: () => {
        this.#isWaiting = true;
        void this.noticeCase();
      },
      onTakenOver: () => void this.#takeOver(),
    });
    void this.#readServed();
  }

  /** Where the new build stands. Until it is known, a case counts as live. */
  readonly standing: UpdateStanding = $derived.by(() => {
    if (!this.#isWaiting) return 'none';
    if (this.#isLive) return 'waits-for-case';
    return this.#obstacles.hasUnsaved() ? 'waits-for-saving' : 'ready';
  });

  /** Parts of the app that are of another build than this page; none is good. */
  readonly strangers: readonly ('worker' | 'files')[] = $derived.by(() => [
    ...(this.#worker !== null && this.#worker !== this.page ? ['worker' as const] : []),
    ...(this.#isTakenOver || (this.#served !== null && this.#served !== this.page)
      ? ['files' as const]
      : []),
  ]);

  /** Take up which build the store's worker is. */
  noteWorker(build: string | null): void {
    this.#worker = build;
  }

  /** Look again whether a case is live; call when records change. */
  async noticeCase(): Promise<void> {
    // A store that does not answer cannot say that no case is live.
    this.#isLive = await this.#obstacles.hasLiveCase().catch(() => true);
    this.#holding = this.#holding.then(() => this.#hold()).catch(() => {});
    await this.#holding;
  }

  /** While a case is live its build stays, whatever the browser lets take over (HAZ-27). */
  async #hold(): Promise<void> {
    if (this.#isLive) {
      await this.#port.hold();
      return;
    }
    if (!(await this.#port.release())) return;
    await this.#readServed();
    if (this.#served !== null && this.#served !== this.page) await this.#takeOver();
  }

  /** Ask for a new build, at most once an hour and never during a live case. */
  async lookForNew(nowMs: number): Promise<void> {
    if (this.#lookedMs !== null && nowMs - this.#lookedMs < LOOK_EVERY_MS) return;
    await this.noticeCase();
    if (this.#isLive) return;
    this.#lookedMs = nowMs;
    this.#port.look();
  }

  /** Let the new build in; does nothing while something keeps it out. Says whether it did. */
  async letIn(): Promise<boolean> {
    await this.noticeCase();
    if (this.standing !== 'ready') return false;
    this.#port.letIn();
    void this.#helpTakeOver();
    return true;
  }

  /**
   * Begin anew where the new build has not taken over: a busy browser was seen to keep the old
   * service worker for minutes, and to let go of it as soon as the page was loaded again.
   */
  async #helpTakeOver(): Promise<void> {
    await this.#port.wait(TAKE_OVER_MS);
    await this.noticeCase();
    if (this.standing === 'ready') this.#port.reload();
  }

  /** Another window let it in. Old pages cannot go on with new files: begin anew, but not in a case. */
  async #takeOver(): Promise<void> {
    this.#isLive = await this.#obstacles.hasLiveCase().catch(() => true);
    if (this.#isLive || this.#obstacles.hasUnsaved()) this.#isTakenOver = true;
    else this.#port.reload();
  }

  async #readServed(): Promise<void> {
    this.#served = await this.#port.servedBuild();
  }
}
