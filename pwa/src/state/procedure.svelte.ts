/**
 * One procedure under way: which step is on screen, what pressing records, and its timer.
 *
 * Everything shown is read from the records anew, so that a killed tablet comes back to the same
 * step (UX-15); only the jump to another step and a running timer are kept beside them.
 */
import {
  type Move,
  NO_ROUND,
  type Round,
  type Step,
  type StepOutcome,
} from '../clinical-rules/step-protocol';
import type { Draft } from '../ports';
import type { App } from './app';
import { actDrafts, type StepAnswers, type StepSurroundings } from './procedure-answers';
import {
  ACT_KINDS,
  type ActMark,
  actOf,
  type GivenOverride,
  madeDraft,
  moveDraft,
  sayRaised,
  stageDraft,
  startDraft,
  stepDraft,
  touchedPackages,
  undoDrafts,
} from './procedure-drafts';
import { findEvent, isSameRound, OWN_PLAN_STEP } from './procedure-events';
import { roundForStep } from './procedure-rounds';
import { type Kept, ProcedureTimer } from './procedure-timer.svelte';
import { ActTurn, LOCKOUT_MS, REDRAW_LIMIT_MS } from './procedure-turn';
import { ProcedureView, STARTED_STAGES } from './procedure-view.svelte';
import { shown, textOf } from './shown';

/**
 * Where an act was pressed. On a sheet that was opened for it a press is no bounce of the one
 * before: it waits until that is recorded, where a press in place would count for nothing.
 */
export type Press = 'in-place' | 'on-sheet';
const RETRY_MS = 50;

/** Cases that were on screen since the page opened: they are not "restored" when opened again. */
const seenCases = new WeakMap<App, Set<string>>();

export class ProcedureSession extends ProcedureView {
  readonly #turn: ActTurn;
  readonly timer: ProcedureTimer;
  /** True when the case came back after the page had been closed. */
  readonly isRestored: boolean;
  #isShown: (() => boolean) | null = null;
  #unlocking: ReturnType<typeof setTimeout> | undefined;
  /** False from a press until its record is drawn and the lockout is over. */
  isReady = $state(true);
  /** What was recorded here made the case live on this tablet. */
  #isLiveNoted = false;

  constructor(app: App, caseId: string) {
    super(app, caseId);
    this.#turn = new ActTurn(app.ids.newId);
    this.timer = new ProcedureTimer(app, this.record.caseRecord);
    const seen = seenCases.get(app) ?? new Set();
    seenCases.set(app, seen);
    this.isRestored = !seen.has(caseId);
    seen.add(caseId);
  }

  /** Show a step out of order; what is recorded there is recorded as it happened. */
  jumpTo(step: Step): void {
    if (this.isTimerHere()) return;
    const round = roundForStep(step, this.progress, this.planned, this.events);
    this.jump = { step: step.id, round };
  }

  /** Back to the step of the protocol; changes no record. */
  leaveJump(): void {
    this.jump = null;
  }

  /** Record the step on screen, with whatever physically happened, in one save. */
  async pass(
    outcome: StepOutcome,
    more: Partial<StepAnswers> = {},
    press: Press = 'in-place',
  ): Promise<boolean> {
    const { step, round } = this;
    if (step === null) return false;
    const answers = { ...this.answers, ...more };
    const isSaved = await this.#save(
      // Whoever had to wait answered the step that was on screen then, and no other.
      (mark) =>
        this.step?.id === step.id && isSameRound(this.round, round)
          ? actDrafts(mark, this.#surroundings(step), outcome, answers)
          : null,
      { by: answers.by, press },
    );
    if (isSaved) {
      this.jump = null;
      await this.timer.clear();
    }
    return isSaved;
  }

  /** Record the move a person chose between steps. */
  choose(move: Move): Promise<boolean> {
    const { round } = this.progress;
    return this.#save((mark) => [moveDraft(mark, round, move)]);
  }

  /** Record that the team goes on without blood return, and why (GATE-02). */
  overrideBloodReturn(override: GivenOverride, by: string): Promise<boolean> {
    return this.#override('blood_return', override, by);
  }

  /** Record that the team goes on with its own plan, and why (HARD-03, HARD-06). */
  goOnWithOwnPlan(override: GivenOverride, by: string): Promise<boolean> {
    return this.#override(OWN_PLAN_STEP, override, by);
  }

  /** Record every step before the puncture as left out, in one act (HAZ-28). */
  leaveOutUntilPuncture(reason: string): Promise<boolean> {
    const steps = this.leftOut;
    return this.#save((mark) =>
      steps.map(({ id }) =>
        stepDraft(mark, { step: id, round: NO_ROUND, outcome: 'skipped', answers: { reason } }, id),
      ),
    );
  }

  /** Record an adverse event with its time, pressed on its sheet; grades are derived later. */
  recordEvent(what: string): Promise<boolean> {
    const { step, round } = this;
    const facts = { step: step?.id ?? this.progress.step, ...round };
    return this.#save((mark) => [madeDraft(mark, 'complication', { what, facts })], {
      press: 'on-sheet',
    });
  }

  /** Undo the last act that stands; returns its id, null when nothing was undone. */
  async undo(): Promise<string | null> {
    const last = this.lastAct;
    if (last === null) return null;
    const records = ACT_KINDS.flatMap((kind) => this.record.all(kind));
    const own = records.filter(({ record }) => actOf(record) === last.actId);
    const wanted = [...own.map(({ record }) => record), ...touchedPackages(last.actId, records)];
    const histories = new Map(
      await Promise.all(
        wanted.map(async (record) => [record, await this.app.store.history(record)] as const),
      ),
    );
    const isSaved = await this.#save(() => undoDrafts(last.actId, records, histories), {
      isShown: () => this.acts.every((act) => act.actId !== last.actId || act.isUndone),
    });
    return isSaved ? last.actId : null;
  }

  /** Begin the procedure of a listed patient. */
  start(): Promise<boolean> {
    return this.#save(() => [], { isShown: () => this.isStarted });
  }

  /** Hand over to close-out. */
  finish(): Promise<boolean> {
    const { itself } = this.record;
    if (itself === null || ['closing', 'closed'].includes(textOf(itself, 'stage'))) {
      return Promise.resolve(true);
    }
    return this.#save(() => [stageDraft(itself, 'closing')], {
      isShown: () => textOf(this.record.itself, 'stage') !== 'in-procedure',
    });
  }

  /** Start the timer of the step on screen; nothing is recorded before it stops. */
  async startTimer(): Promise<void> {
    const { step, round } = this;
    if (step === null || !this.#beginLocal()) return;
    await this.timer.start(JSON.stringify([step.id, round]), keptOf(this.answers));
  }

  /** Stop the time before anything is recorded: what was given is asked next. */
  async stopTimer(): Promise<void> {
    if (this.isTimerHere() && this.#beginLocal()) await this.timer.stop();
  }

  isTimerHere(): boolean {
    return this.timer.runs(JSON.stringify([this.step?.id ?? null, this.round]));
  }

  /** Keep what was pressed on this step; with a running timer also across a kill. */
  override answer(pressed: Partial<StepAnswers>): void {
    super.answer(pressed);
    if (this.isTimerHere()) void this.timer.keep(keptOf(this.answers));
  }

  /** Go back to the step whose timer ran when the page closed, unless it was recorded (UX-15). */
  adoptTimer(): void {
    const { running } = this.timer;
    if (running === null || this.isJumped) return;
    const [step, round] = JSON.parse(running.of) as [string, Round];
    if (findEvent(this.record.all('step_event'), step, round) !== null) {
      void this.timer.clear();
      return;
    }
    if (!this.isTimerHere()) this.jump = { step, round };
    super.answer(running.kept);
  }

  /** Look whether the last act is drawn now; call whenever the lists have changed. */
  noteRedraw(): void {
    if (this.#isShown === null || !this.#isShown()) return;
    this.#isShown = null;
    this.#turn.redrawn(this.#turn.current, this.app.clock.monotonicMs());
  }

  override dispose(): void {
    clearTimeout(this.#unlocking);
    this.timer.dispose();
    super.dispose();
  }

  #surroundings(step: Step): StepSurroundings {
    const { round, target } = this;
    return {
      step,
      round,
      target,
      punctures: this.record.all('puncture'),
      coilsInTarget: target ? this.tally(target.record).coils : 0,
      opened: this.opened,
      laidOut: this.laidOut,
      adhesive: this.adhesive,
      adhesiveDevice: shown(this.adhesivePackage, 'device') ?? null,
      stopUm: this.stopUm,
      timer: this.isTimerHere() ? this.timer.readNow() : null,
    };
  }

  #beginLocal(): boolean {
    const now = this.app.clock.monotonicMs();
    if (this.#turn.begin(now) === null) return false;
    this.#turn.end(true, now);
    this.#turn.redrawn(this.#turn.current, now);
    this.#lock();
    return true;
  }

  #override(step: string, override: GivenOverride, by: string): Promise<boolean> {
    const { target, puncture } = this.round;
    const round = { ...NO_ROUND, target, puncture };
    return this.#save((mark) => [stepDraft(mark, { step, round, outcome: 'override', override })], {
      by,
    });
  }

  /**
   * @param build - the operations of the act; null where it has become none while it waited
   * @param more.by - staff record of the one who answers for the act, "" for the one who taps
   */
  async #save(
    build: (mark: ActMark) => Draft[] | null,
    more: { isShown?: () => boolean; by?: string; press?: Press } = {},
  ): Promise<boolean> {
    const { clock, tablet } = this.app;
    const { isShown, by = '', press = 'in-place' } = more;
    const actId =
      this.#turn.begin(clock.monotonicMs()) ??
      (press === 'on-sheet' ? await this.#waitForTurn() : null);
    if (actId === null) return false;
    const mark: ActMark = { actId, caseRecord: this.record.caseRecord, at: clock.nowIso() };
    const built = build(mark);
    if (built === null) {
      this.#turn.end(false, clock.monotonicMs());
      return false;
    }
    this.isReady = false;
    const drafts = [...this.#opening(), ...sayRaised(built, this.raisedHere)];
    const answer = await tablet.save(drafts, by || undefined);
    const isSaved = answer.kind === 'saved';
    this.#turn.end(isSaved, clock.monotonicMs());
    if (!isSaved) {
      this.isReady = true;
      return false;
    }
    this.#isShown =
      isShown ?? (() => this.acts.some((act) => act.actId === actId && !act.isUndone));
    this.noteRedraw();
    this.#lock();
    return true;
  }

  /** Take the turn once the act before is drawn and its lockout over; null where it never is. */
  async #waitForTurn(): Promise<string | null> {
    for (let tries = 0; tries * RETRY_MS < 2 * REDRAW_LIMIT_MS; tries++) {
      await new Promise((resolve) => setTimeout(resolve, RETRY_MS));
      this.noteRedraw();
      const actId = this.#turn.begin(this.app.clock.monotonicMs());
      if (actId !== null) return actId;
    }
    return null;
  }

  /** The first act of a case also says that its procedure runs. */
  #opening(): Draft[] {
    const { itself } = this.record;
    if (itself === null) return [];
    this.#noteLive();
    if (STARTED_STAGES.includes(textOf(itself, 'stage'))) return [];
    return [startDraft(itself, this.protocol, this.app.clock.today())];
  }

  /** Whoever records on a case has it live on this tablet, also one that was begun elsewhere. */
  #noteLive(): void {
    if (this.#isLiveNoted) return;
    this.#isLiveNoted = true;
    void this.app.store.remember('live-case', this.record.caseRecord);
  }

  #lock(): void {
    this.isReady = false;
    clearTimeout(this.#unlocking);
    const unlock = () => {
      this.noteRedraw();
      this.isReady = this.#turn.settle(this.app.clock.monotonicMs());
      if (!this.isReady) this.#unlocking = setTimeout(unlock, 100);
    };
    this.#unlocking = setTimeout(unlock, LOCKOUT_MS);
  }
}

function keptOf({ amount, medium, override, by }: StepAnswers): Kept {
  return { amount, medium, override, by };
}
