/**
 * One procedure under way: which step is on screen, what pressing records, and its timer.
 *
 * Everything shown is read from the records anew, so that a killed tablet comes back to the same
 * step (UX-15); only the jump to another step and a running timer are kept beside them.
 */
import {
  CHOOSE,
  followProtocol,
  type Move,
  NO_ROUND,
  type Round,
  readProtocol,
  type Step,
  type StepOutcome,
} from '../clinical-rules/step-protocol';
import type { Draft } from '../ports';
import type { App } from './app';
import { CaseRecord } from './case-record.svelte';
import { isIdentityOpen } from './identity';
import { LiveRecords } from './live-records.svelte';
import {
  actDrafts,
  NO_ANSWERS,
  type StepAnswers,
  type StepSurroundings,
} from './procedure-answers';
import {
  ACT_KINDS,
  type ActMark,
  actOf,
  madeDraft,
  moveDraft,
  stepDraft,
  touchedPackages,
  undoDrafts,
} from './procedure-drafts';
import { answerOf, findEvent, passedActs, readEvents, startedAt } from './procedure-events';
import { flushMediaOf, injectionLimits } from './procedure-limits';
import { adhesivePlan, plannedTargets, stockOf, targetPlans } from './procedure-plan';
import { roundForStep, stepsBeforePuncture } from './procedure-rounds';
import { ProcedureTimer } from './procedure-timer.svelte';
import { ActTurn, LOCKOUT_MS } from './procedure-turn';
import { type Json, overOf, type RecordState, shown, textOf } from './shown';
import { tallyOf } from './tally';

const STARTED_STAGES = ['in-procedure', 'closing', 'closed'];
/** Cases that were on screen since the page opened: they are not "restored" when opened again. */
const seenCases = new WeakMap<App, Set<string>>();

export class ProcedureSession {
  readonly #app: App;
  readonly record: CaseRecord;
  readonly #stock: LiveRecords;
  readonly staff: LiveRecords;
  readonly #turn: ActTurn;
  readonly timer: ProcedureTimer;
  readonly steps: readonly Step[];
  readonly limits;
  /** True when the case came back after the page had been closed. */
  readonly isRestored: boolean;
  #isShown: (() => boolean) | null = null;
  #unlocking: ReturnType<typeof setTimeout> | undefined;
  /** False from a press until its record is drawn and the lockout is over. */
  isReady = $state(true);
  #jump = $state.raw<{ step: string; round: Round } | null>(null);
  #pressed = $state.raw<{ key: string; answers: StepAnswers }>({ key: '', answers: NO_ANSWERS });
  #struck = $state.raw<ReadonlyMap<string, Record<string, Json>>>(new Map());

  constructor(app: App, caseId: string) {
    this.#app = app;
    this.record = new CaseRecord(app.store, caseId);
    this.#stock = new LiveRecords(app.store, { kind: 'stock_item' });
    this.staff = new LiveRecords(app.store, { kind: 'staff' });
    this.#turn = new ActTurn(app.ids.newId);
    this.timer = new ProcedureTimer(app, this.record.caseRecord);
    this.steps = readProtocol(app.ruleBook);
    this.limits = injectionLimits(app.ruleBook);
    const seen = seenCases.get(app) ?? new Set();
    seenCases.set(app, seen);
    this.isRestored = !seen.has(caseId);
    seen.add(caseId);
  }

  readonly targets = $derived.by(() => targetPlans(this.record.itself, this.record.all('target')));
  /** As planned; where nobody chose an adhesive, that of the package in use. */
  readonly adhesive = $derived.by(() => {
    const plan = adhesivePlan(this.record.itself);
    if (plan.agent !== null) return plan;
    const stock = textOf(this.adhesivePackage, 'stock_id');
    const agent = this.adhesives.find(({ record }) => record === stock)?.agent;
    return agent ? { ...plan, agent } : plan;
  });
  readonly events = $derived.by(() => readEvents(this.record.all('step_event')));
  readonly #planned = $derived.by(() => plannedTargets(this.targets, this.adhesive));
  readonly progress = $derived.by(() => followProtocol(this.steps, this.#planned, this.events));
  readonly acts = $derived.by(() =>
    passedActs(this.record.all('step_event'), this.record.all('complication'), this.#struck),
  );
  readonly startedAt = $derived.by(() => startedAt(this.record.all('step_event')));
  readonly coils = $derived.by(() => stockOf(this.#stock.list, 'coil'));
  readonly adhesives = $derived.by(() => stockOf(this.#stock.list, 'adhesive'));
  readonly needles = $derived.by(() => stockOf(this.#stock.list, 'needle'));

  readonly isStarted = $derived.by(
    () =>
      STARTED_STAGES.includes(textOf(this.record.itself, 'stage')) ||
      isIdentityOpen(this.record.patient),
  );
  readonly isEmergency = $derived.by(
    () =>
      isIdentityOpen(this.record.patient) ||
      shown(this.record.itself, 'indication') === 'acute-bleed',
  );
  readonly isClosed = $derived.by(() => textOf(this.record.itself, 'stage') === 'closed');

  /** The step on screen; null at a choice of moves and at the end. */
  readonly step = $derived.by(() => {
    const id = this.#jump?.step ?? this.progress.step;
    return this.steps.find((step) => step.id === id) ?? null;
  });
  readonly round = $derived.by(() => this.#jump?.round ?? this.progress.round);
  readonly isJumped = $derived.by(() => this.#jump !== null);
  readonly isChoosing = $derived.by(() => !this.isJumped && this.progress.step === CHOOSE);
  readonly isFinished = $derived.by(() => !this.isJumped && this.progress.isFinished);
  readonly target = $derived.by(
    () => this.targets.find((target) => target.label === this.round.target) ?? null,
  );
  readonly #key = $derived.by(
    () => `${JSON.stringify([this.step?.id ?? this.progress.step, this.round])}`,
  );
  readonly answers = $derived.by(() =>
    this.#pressed.key === this.#key ? this.#pressed.answers : NO_ANSWERS,
  );
  readonly flushMedia = $derived.by(() =>
    this.adhesive.flushMedia.length > 0
      ? this.adhesive.flushMedia
      : flushMediaOf(this.#app.ruleBook, this.adhesive.agent),
  );
  readonly totals = $derived.by(() => this.tally());
  /** Distance and stop recorded for this puncture. */
  readonly distanceUm = $derived.by(() => this.#measured('distance'));
  readonly stopUm = $derived.by(() => this.#measured('stop_set'));
  /** The package opened for this coil. */
  readonly opened = $derived.by(() => {
    const event = findEvent(this.record.all('step_event'), 'package_opened', this.round);
    if (event === null) return null;
    const act = actOf(event.record);
    return (
      this.record.standing('package_opened').find(({ record }) => actOf(record) === act) ?? null
    );
  });
  readonly adhesivePackage = $derived.by(
    () =>
      this.record
        .standing('package_opened')
        .findLast((opened) => shown(opened, 'item') === 'adhesive') ?? null,
  );
  readonly lastAct = $derived.by(() => this.acts.findLast((act) => !act.isUndone) ?? null);
  readonly leftOut = $derived.by(() => stepsBeforePuncture(this.steps, this.events));

  /** What was given, to one target or in all. */
  tally(target?: string) {
    return tallyOf(
      {
        punctures: this.record.all('puncture'),
        coils: this.record.all('coil_placed'),
        adhesives: this.record.all('adhesive_injected'),
        flushes: this.record.all('flush'),
      },
      target,
    );
  }

  /** Pure adhesive of the session; mix where its parts are not known, which is the stricter. */
  readonly givenUl = $derived.by(() => this.totals.pureUl + this.totals.mixOfUnknownPartsUl);

  /** Keep what was pressed on this step. */
  answer(pressed: Partial<StepAnswers>): void {
    this.#pressed = { key: this.#key, answers: { ...this.answers, ...pressed } };
  }

  /** Show a step out of order; what is recorded there is recorded as it happened. */
  jumpTo(step: Step): void {
    if (this.isTimerHere()) return;
    const round = roundForStep(step, this.progress, this.#planned, this.events);
    this.#jump = { step: step.id, round };
  }

  /** Back to the step of the protocol; changes no record. */
  leaveJump(): void {
    this.#jump = null;
  }

  /** Record the step on screen, with whatever physically happened, in one save. */
  async pass(outcome: StepOutcome, more: Partial<StepAnswers> = {}): Promise<boolean> {
    const { step } = this;
    if (step === null) return false;
    const here = this.#surroundings(step);
    const answers = { ...this.answers, ...more };
    const isSaved = await this.#save((mark) => actDrafts(mark, here, outcome, answers));
    if (isSaved) {
      this.#jump = null;
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
  overrideBloodReturn(override: NonNullable<StepAnswers['override']>): Promise<boolean> {
    const { target, puncture } = this.progress.round;
    const round = { ...NO_ROUND, target, puncture };
    return this.#save((mark) => [
      stepDraft(mark, { step: 'blood_return', round, outcome: 'override', override }),
    ]);
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

  /** Record an adverse event with its time; grades are derived later. */
  recordEvent(what: string): Promise<boolean> {
    const { step, round } = this;
    const facts = { step: step?.id ?? this.progress.step, ...round };
    return this.#save((mark) => [madeDraft(mark, 'complication', { what, facts })]);
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
        wanted.map(async (record) => [record, await this.#app.store.history(record)] as const),
      ),
    );
    const isSaved = await this.#save(
      () => undoDrafts(last.actId, records, histories),
      () => this.acts.every((act) => act.actId !== last.actId || act.isUndone),
    );
    return isSaved ? last.actId : null;
  }

  /** Begin the procedure of a listed patient. */
  start(): Promise<boolean> {
    return this.#save(
      () => [],
      () => this.isStarted,
    );
  }

  /** Hand over to close-out. */
  finish(): Promise<boolean> {
    const { itself } = this.record;
    if (itself === null || ['closing', 'closed'].includes(textOf(itself, 'stage'))) {
      return Promise.resolve(true);
    }
    return this.#save(
      () => [stageDraft(itself, 'closing')],
      () => textOf(this.record.itself, 'stage') !== 'in-procedure',
    );
  }

  /** Start the timer of the step on screen; nothing is recorded before it stops. */
  async startTimer(): Promise<void> {
    const { step, round } = this;
    if (step === null || !this.#beginLocal()) return;
    await this.timer.start(JSON.stringify([step.id, round]));
  }

  isTimerHere(): boolean {
    return this.timer.runs(JSON.stringify([this.step?.id ?? null, this.round]));
  }

  /** Go back to the step whose timer ran when the page closed, unless it was recorded (UX-15). */
  adoptTimer(): void {
    const { running } = this.timer;
    if (running === null || this.isTimerHere() || this.isJumped) return;
    const [step, round] = JSON.parse(running.of) as [string, Round];
    if (findEvent(this.record.all('step_event'), step, round) === null) {
      this.#jump = { step, round };
    } else {
      void this.timer.clear();
    }
  }

  /** Look whether the last act is drawn now; call whenever the lists have changed. */
  noteRedraw(): void {
    if (this.#isShown === null || !this.#isShown()) return;
    this.#isShown = null;
    this.#turn.redrawn(this.#turn.current, this.#app.clock.monotonicMs());
  }

  /** Read what undone records held, so that the list can show them struck through. */
  async readStruck(): Promise<void> {
    const undone = [...this.record.all('step_event'), ...this.record.all('complication')].filter(
      (record) => record.isEnteredInError && !this.#struck.has(record.record),
    );
    if (undone.length === 0) return;
    const known = new Map(this.#struck);
    for (const { record } of undone) {
      const history = await this.#app.store.history(record);
      known.set(record, history.find((entry) => Object.keys(entry.set).length > 0)?.set ?? {});
    }
    this.#struck = known;
  }

  dispose(): void {
    clearTimeout(this.#unlocking);
    this.timer.dispose();
    this.record.dispose();
    this.#stock.dispose();
    this.staff.dispose();
  }

  #measured(step: string): number | null {
    const { target, puncture } = this.round;
    const event = findEvent(this.record.all('step_event'), step, { ...NO_ROUND, target, puncture });
    return answerOf(event, 'length_um');
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
      adhesive: this.adhesive,
      adhesiveDevice: shown(this.adhesivePackage, 'device') ?? null,
      stopUm: this.stopUm,
      timer: this.isTimerHere() ? this.timer.readNow() : null,
    };
  }

  #beginLocal(): boolean {
    const now = this.#app.clock.monotonicMs();
    if (this.#turn.begin(now) === null) return false;
    this.#turn.end(true, now);
    this.#turn.redrawn(this.#turn.current, now);
    this.#lock();
    return true;
  }

  async #save(build: (mark: ActMark) => Draft[], isShown?: () => boolean): Promise<boolean> {
    const { clock, tablet } = this.#app;
    const actId = this.#turn.begin(clock.monotonicMs());
    if (actId === null) return false;
    this.isReady = false;
    const mark: ActMark = { actId, caseRecord: this.record.caseRecord, at: clock.nowIso() };
    const answer = await tablet.save([...this.#opening(), ...build(mark)]);
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

  /** The first act of a case also says that its procedure runs. */
  #opening(): Draft[] {
    const { itself } = this.record;
    if (itself === null || STARTED_STAGES.includes(textOf(itself, 'stage'))) return [];
    void this.#app.store.remember('live-case', this.record.caseRecord);
    return [stageDraft(itself, 'in-procedure')];
  }

  #lock(): void {
    this.isReady = false;
    clearTimeout(this.#unlocking);
    const unlock = () => {
      this.noteRedraw();
      this.isReady = this.#turn.settle(this.#app.clock.monotonicMs());
      if (!this.isReady) this.#unlocking = setTimeout(unlock, 100);
    };
    this.#unlocking = setTimeout(unlock, LOCKOUT_MS);
  }
}

function stageDraft(itself: RecordState, stage: string): Draft {
  return {
    draftId: `stage-${stage}-${itself.record.replace('/', '-')}`,
    record: itself.record,
    set: { stage },
    over: overOf(itself, 'stage'),
  };
}
