/**
 * Whose press counts: one act per drawn control, however often it is pressed (HAZ-14).
 *
 * The id of an act is minted when its control is drawn. It is used once; the next id comes only
 * after the record of the act is on the screen and the lockout has passed. Reads no clock itself.
 */

/** Presses this soon after a recorded act are bounces of the same press. */
export const LOCKOUT_MS = 700;
/** After this long the screen counts as redrawn: a lost notice may never stop recording. */
export const REDRAW_LIMIT_MS = 5_000;

type Phase =
  | { kind: 'ready' }
  | { kind: 'saving' }
  | { kind: 'saved'; atMs: number; isRedrawn: boolean };

export class ActTurn {
  readonly #newId: () => string;
  #actId: string;
  #phase: Phase = { kind: 'ready' };

  constructor(newId: () => string) {
    this.#newId = newId;
    this.#actId = newId();
  }

  /** Id of the act that is under way, or of the next one. */
  get current(): string {
    return this.#actId;
  }

  /**
   * Take the turn: returns the id of the act to save, or null when this press does not count.
   *
   * @param monotonicMs - of a clock that never jumps while awake
   */
  begin(monotonicMs: number): string | null {
    this.settle(monotonicMs);
    if (this.#phase.kind !== 'ready') return null;
    this.#phase = { kind: 'saving' };
    return this.#actId;
  }

  /** Say how the save ended. One that failed may be pressed again, with the same id. */
  end(isSaved: boolean, monotonicMs: number): void {
    if (this.#phase.kind !== 'saving') return;
    this.#phase = isSaved
      ? { kind: 'saved', atMs: monotonicMs, isRedrawn: false }
      : { kind: 'ready' };
  }

  /** Say that the list now shows the act; returns whether it was the one waited for. */
  redrawn(actId: string, monotonicMs: number): boolean {
    if (this.#phase.kind !== 'saved' || actId !== this.#actId) return false;
    this.#phase.isRedrawn = true;
    this.settle(monotonicMs);
    return true;
  }

  /** Mint the next id once the lockout has passed; returns whether a press would count. */
  settle(monotonicMs: number): boolean {
    const phase = this.#phase;
    if (phase.kind === 'saved') {
      const waitedMs = monotonicMs - phase.atMs;
      const isOver = waitedMs >= (phase.isRedrawn ? LOCKOUT_MS : REDRAW_LIMIT_MS);
      if (isOver || waitedMs < 0) {
        this.#actId = this.#newId();
        this.#phase = { kind: 'ready' };
      }
    }
    return this.#phase.kind === 'ready';
  }
}
