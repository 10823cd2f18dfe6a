/** Keeps sending what is sealed while the tablet is locked, and says how much is left. */
import { retryWaitMs } from '../network/retry-wait';
import type { ExchangeStanding } from '../ports';
import { whyOf } from '../told';
import type { OutboxAnswer, SealedOutbox, Unsent } from './sealed-outbox';

/** After a round that went well; somebody unlocks before much gathers. */
const QUIET_MS = 60_000;

export interface UploadSurroundings {
  later(waitMs: number, work: () => void): () => void;
  /** A fraction from 0 to 1. */
  chance(): number;
  nowMs(): number;
  onExchange(standing: ExchangeStanding): void;
  /** Ask the unit how it stands to this device: it takes in what a revoked one sends. */
  askStanding(): Promise<void>;
}

export class LockedUpload {
  readonly #outbox: SealedOutbox;
  readonly #around: UploadSurroundings;
  #callOff: () => void = () => {};
  readonly #over = new AbortController();
  #failures = 0;
  #running: Promise<void> | null = null;

  constructor(outbox: SealedOutbox, around: UploadSurroundings) {
    this.#outbox = outbox;
    this.#around = around;
  }

  unsent(): Promise<Unsent> {
    return this.#outbox.unsent();
  }

  /** Send now; a round that is under way is waited for. */
  run(): Promise<void> {
    this.#running ??= this.#round().finally(() => {
      this.#running = null;
    });
    return this.#running;
  }

  /**
   * End for good: a request on its way is given up, and whoever opens a store waits for no network.
   * What the unit has taken in of it, the handshake of that store finds out.
   */
  async end(): Promise<void> {
    this.#over.abort();
    this.#callOff();
    await this.#running;
  }

  async #round(): Promise<void> {
    if (this.#over.signal.aborted) return;
    this.#callOff();
    let answer: OutboxAnswer;
    try {
      answer = await this.#outbox.run(this.#over.signal);
    } catch (error) {
      // A copy that cannot be read now may be readable later; nothing of it was changed.
      answer = { kind: 'refused', sentence: whyOf(error) };
    }
    if (this.#over.signal.aborted) return;
    this.#failures = answer.kind === 'done' ? 0 : this.#failures + 1;
    await this.#tell(answer);
    // Not part of the round, which whoever clears this tablet waits for.
    if (answer.kind === 'done') void this.#around.askStanding().catch(() => {});
    if (this.#over.signal.aborted) return;
    const wait =
      this.#failures === 0 ? QUIET_MS : retryWaitMs(this.#failures, this.#around.chance());
    this.#callOff = this.#around.later(wait, () => void this.run());
  }

  async #tell(answer: OutboxAnswer): Promise<void> {
    const unsent = await this.#outbox.unsent().catch(() => null);
    this.#around.onExchange({
      state: answer.kind === 'done' ? 'resting' : answer.kind,
      unsent: unsent?.count ?? 0,
      ...(unsent === null && { isUnsentUnknown: true }),
      oldestUnsentMs: unsent?.oldestMs ?? null,
      lastDoneMs: answer.kind === 'done' ? this.#around.nowMs() : null,
      sentence: answer.kind === 'refused' ? answer.sentence : '',
    });
  }
}
