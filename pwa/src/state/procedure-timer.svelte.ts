/** The timer of the procedure: kept beside the records, read anew at each paint (HAZ-17). */
import type { Clock } from '../ports';
import type { App } from './app';
import type { StepAnswers } from './procedure-answers';
import {
  type ClockReading,
  moveStartBack,
  type RunningTimer,
  readRunningTimer,
  readTimer,
  startTimer,
  stopTimer,
  type TimerReading,
} from './timer';

const PAINT_EVERY_MS = 200;
/** A mark for each clock: it lives as long as the page does, and so does its monotonic time. */
const pages = new WeakMap<Clock, string>();

/** What was answered before the timer began, as it goes into the record when it stops. */
export type Kept = Pick<StepAnswers, 'amount' | 'medium' | 'override' | 'by'>;

export class ProcedureTimer {
  readonly #app: App;
  readonly #name: string;
  #paint: ReturnType<typeof setInterval> | undefined;
  running = $state.raw<{ of: string; timer: RunningTimer; kept: Kept } | null>(null);
  now = $state.raw<ClockReading>({ wallMs: 0, monotonicMs: 0, page: '' });
  /** False until it is known whether a timer ran when the page closed. */
  isLoaded = $state(false);

  constructor(app: App, caseRecord: string) {
    this.#app = app;
    this.#name = `timer ${caseRecord}`;
    if (!pages.has(app.clock)) pages.set(app.clock, app.ids.newId());
    this.tick();
    void this.#restore();
    this.#paint = setInterval(() => this.tick(), PAINT_EVERY_MS);
  }

  readonly reading: TimerReading | null = $derived(
    this.running === null ? null : readTimer(this.running.timer, this.now),
  );

  /** Read both clocks; called before each paint and when the page becomes visible. */
  tick(): void {
    const { clock } = this.#app;
    this.now = {
      wallMs: clock.nowMs(),
      monotonicMs: clock.monotonicMs(),
      page: pages.get(clock) ?? '',
    };
  }

  /** @param of - step and round the timer belongs to */
  async start(of: string, kept: Kept): Promise<void> {
    this.tick();
    this.running = { of, timer: startTimer(this.now), kept };
    await this.#remember();
  }

  /** Keep an answer that was given while the timer runs. */
  async keep(kept: Kept): Promise<void> {
    if (this.running === null) return;
    this.running = { ...this.running, kept };
    await this.#remember();
  }

  async moveStartBack(byMs: number): Promise<void> {
    if (this.running === null) return;
    this.running = { ...this.running, timer: moveStartBack(this.running.timer, byMs) };
    await this.#remember();
  }

  /** Stop the time; it stands still until what was given is recorded. */
  async stop(): Promise<void> {
    this.tick();
    if (this.running === null) return;
    this.running = { ...this.running, timer: stopTimer(this.running.timer, this.now) };
    await this.#remember();
  }

  /** Take a stop back: the time runs on as if it had not been. */
  async resume(): Promise<void> {
    if (this.running === null) return;
    const { stopped: _, ...timer } = this.running.timer;
    this.running = { ...this.running, timer };
    await this.#remember();
  }

  /** True while the time stands still and what was given is not recorded yet. */
  get isStopped(): boolean {
    return this.running?.timer.stopped !== undefined;
  }

  async clear(): Promise<void> {
    if (this.running === null) return;
    this.running = null;
    await this.#remember();
  }

  runs(of: string): boolean {
    return this.running?.of === of;
  }

  /** The time up to this moment, for the record. */
  readNow(): (TimerReading & { earlierMs: number }) | null {
    this.tick();
    if (this.running === null) return null;
    const { timer } = this.running;
    return { ...readTimer(timer, this.now), earlierMs: timer.earlierMs };
  }

  dispose(): void {
    clearInterval(this.#paint);
  }

  async #restore(): Promise<void> {
    const remembered = await this.#app.store.recall(this.#name);
    const { of, timer, kept } = (remembered ?? {}) as Record<string, unknown>;
    const running = readRunningTimer(timer);
    if (typeof of === 'string' && running && this.running === null) {
      this.running = { of, timer: running, kept: kept as Kept };
    }
    this.isLoaded = true;
  }

  #remember(): Promise<void> {
    const { running } = this;
    return this.#app.store.remember(
      this.#name,
      running === null ? null : JSON.parse(JSON.stringify(running)),
    );
  }
}
