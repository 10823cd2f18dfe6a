/**
 * What the Procedure screen shows of a case, read from its records alone: the step, what was
 * given, the last acts, and the plan while it still answers the question it was made for.
 */

import type { Facts } from '../clinical-rules/gate-facts';
import type { RuleBook } from '../clinical-rules/rule-book';
import {
  CHOOSE,
  findProtocol,
  followProtocol,
  NO_ROUND,
  type Round,
} from '../clinical-rules/step-protocol';
import type { App } from './app';
import { ruleFilesOf } from './calculation';
import { CaseRecord } from './case-record.svelte';
import { isIdentityOpen } from './identity';
import type { KnownPackages } from './label-facts';
import { laidOutPackages, packageInUse } from './laid-out';
import { LiveRecords } from './live-records.svelte';
import { overridesOf, passes, type StandingGate, standingGates } from './override';
import { askPlan, judgePlan, protocolOf, savedPlanOf } from './plan';
import { NO_ANSWERS, type StepAnswers } from './procedure-answers';
import { actOf, packageInAnswers } from './procedure-drafts';
import {
  answerOf,
  findEvent,
  flushesWithoutAmount,
  passedActs,
  readEvents,
  startedAt,
} from './procedure-events';
import { flushMediaOf, injectionLimits, lookAlikesOf } from './procedure-limits';
import { adhesiveInUse, saidParts } from './procedure-parts';
import {
  adhesivePlan,
  plannedTargets,
  plannedTotals,
  stockOf,
  targetPlans,
} from './procedure-plan';
import { stepsBeforePuncture } from './procedure-rounds';
import { startingStop, stopStepUm } from './procedure-stop';
import { RaisedCauses } from './raised-causes.svelte';
import { type Json, type RecordState, shown, textOf } from './shown';
import { tallyOf } from './tally';
import { loopsOf, sketchesOf } from './target-sketch';

export const STARTED_STAGES = ['in-procedure', 'closing', 'closed'];

export class ProcedureView {
  protected readonly app: App;
  readonly record: CaseRecord;
  protected readonly stock: LiveRecords;
  readonly staff: LiveRecords;
  /** Packages of every case on this tablet, deliveries and recalls: each package once. */
  readonly #packages: LiveRecords;
  readonly #movements: LiveRecords;
  readonly #recalls: LiveRecords;
  readonly #raised: RaisedCauses;
  readonly #opened: RuleBook;
  protected jump = $state.raw<{ step: string; round: Round } | null>(null);
  #pressed = $state.raw<{ key: string; answers: StepAnswers }>({ key: '', answers: NO_ANSWERS });
  #struck = $state.raw<ReadonlyMap<string, Record<string, Json>>>(new Map());

  constructor(app: App, caseId: string) {
    this.app = app;
    this.record = new CaseRecord(app.store, caseId);
    this.stock = new LiveRecords(app.store, { kind: 'stock_item' });
    this.staff = new LiveRecords(app.store, { kind: 'staff' });
    this.#packages = new LiveRecords(app.store, { kind: 'package_opened' });
    this.#movements = new LiveRecords(app.store, { kind: 'stock_movement' });
    this.#recalls = new LiveRecords(app.store, { kind: 'recall_notice' });
    this.#raised = new RaisedCauses(app, this.record.caseRecord);
    this.#opened = app.ruleBook;
  }

  /** True while the case is recorded only: nothing planned or computed is shown (HAZ-13). */
  readonly isRecordOnly = $derived.by(() => this.#opened.isRecordOnly);
  readonly #protocol = $derived.by(() => protocolOf(this.record.itself));
  readonly #saved = $derived.by(() => (this.isRecordOnly ? null : savedPlanOf(this.record.itself)));
  /** The rule book of this case: what its plan pinned, the rest as in force (HAZ-10). */
  readonly #ruleBook = $derived.by(() => this.#opened.pinnedTo(ruleFilesOf(this.#saved?.answer)));
  /** The step protocol of this case: what it took up, else what is in force. */
  readonly protocol = $derived.by(() => findProtocol(this.#opened, this.#protocol));
  readonly steps = $derived.by(() => this.protocol.rows);
  readonly limits = $derived.by(() => injectionLimits(this.#ruleBook));

  readonly #question = $derived.by(() =>
    askPlan(this.record.itself, this.record.all('target'), this.stock.list),
  );

  /**
   * How the saved plan stands: whether it still answers what the record asks (HAZ-02, HARD-03).
   *
   * What is left in stock is no part of it here: opening a package must not take the plan away.
   */
  readonly planStanding = $derived.by(() => {
    const saved = this.#saved;
    const question = this.#question;
    if (saved !== null && question.kind === 'ask') {
      const { coils_in_stock = [] } = saved.request;
      const request = { ...question.request, coils_in_stock };
      return judgePlan(saved, { ...question, request });
    }
    return judgePlan(saved, question);
  });
  /** Fields of the plan in which two answers wait, in words (HARD-06). */
  readonly conflicts = $derived.by(() =>
    this.#saved !== null && this.#question.kind === 'conflict'
      ? this.#question.fields.map((field) => field.replaceAll('_', ' '))
      : [],
  );
  readonly isPlanStale = $derived.by(() => this.planStanding.kind === 'out-of-date');
  /** The case, without its plan when that is out of date: then none of its numbers is shown. */
  readonly #usable = $derived.by(() => {
    const { itself } = this.record;
    if (itself === null || !(this.isPlanStale || this.isRecordOnly)) return itself;
    const { plan: _, ...fields } = itself.fields;
    return { ...itself, fields };
  });
  readonly targets = $derived.by(() => targetPlans(this.#usable, this.record.all('target')));
  /** Amounts and coils of the plan in use; nothing while none is. */
  readonly plannedTotals = $derived.by(() => plannedTotals(this.#usable));
  /** True where numbers could be planned and no plan is in use yet. */
  readonly hasNoPlan = $derived.by(
    () => !this.isRecordOnly && this.record.itself !== null && this.#saved === null,
  );
  readonly plannedAdhesive = $derived.by(() => adhesivePlan(this.#usable));
  /** In which parts adhesive and oil are mixed, as somebody has said at the bedside. */
  readonly saidParts = $derived.by(() =>
    saidParts(this.record.all('step_event'), (stock) => this.#agentOf(stock)),
  );
  /** As planned; where the plan does not say, as the package in use and the bedside say. */
  readonly adhesive = $derived.by(() =>
    adhesiveInUse(
      this.plannedAdhesive,
      this.#agentOf(textOf(this.adhesivePackage, 'stock_id')),
      this.saidParts,
    ),
  );
  readonly events = $derived.by(() => readEvents(this.record.all('step_event')));
  protected readonly planned = $derived.by(() => plannedTargets(this.targets, this.adhesive));
  readonly progress = $derived.by(() => followProtocol(this.steps, this.planned, this.events));
  readonly acts = $derived.by(() =>
    passedActs(this.record.all('step_event'), this.record.all('complication'), this.#struck),
  );
  readonly startedAt = $derived.by(() => startedAt(this.record.all('step_event')));
  readonly coils = $derived.by(() => stockOf(this.stock.list, 'coil'));
  readonly adhesives = $derived.by(() => stockOf(this.stock.list, 'adhesive'));
  readonly needles = $derived.by(() => stockOf(this.stock.list, 'needle'));

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
    const id = this.jump?.step ?? this.progress.step;
    return this.steps.find((step) => step.id === id) ?? null;
  });
  readonly round = $derived.by(() => this.jump?.round ?? this.progress.round);
  readonly isJumped = $derived.by(() => this.jump !== null);
  readonly isChoosing = $derived.by(() => !this.isJumped && this.progress.step === CHOOSE);
  readonly isFinished = $derived.by(() => !this.isJumped && this.progress.isFinished);
  readonly target = $derived.by(
    () => this.targets.find((target) => target.label === this.round.target) ?? null,
  );
  readonly #key = $derived.by(
    () => `${JSON.stringify([this.step?.id ?? this.progress.step, this.round])}`,
  );
  /** This visit to the step: who comes back to it after another act has been alerted (GATE-04). */
  readonly #visit = $derived.by(() => `${this.#key} ${this.events.length}`);
  readonly answers = $derived.by(() =>
    this.#pressed.key === this.#key ? this.#pressed.answers : NO_ANSWERS,
  );
  readonly flushMedia = $derived.by(() =>
    this.adhesive.flushMedia.length > 0
      ? this.adhesive.flushMedia
      : flushMediaOf(this.#ruleBook, this.adhesive.agent),
  );
  readonly totals = $derived.by(() => this.tally());
  /** Distance and stop recorded for this puncture. */
  readonly distanceUm = $derived.by(() => this.#measured('distance'));
  readonly stopUm = $derived.by(() => this.#measured('stop_set'));
  /** The real steps of the needle's stop. */
  readonly stopStepUm = $derived.by(() =>
    stopStepUm(this.record.itself, this.record.all('package_opened'), this.stock.list),
  );
  /** The stop by the rule, for the distance of this puncture: where no plan holds one. */
  readonly startingStop = $derived.by(() =>
    startingStop(
      this.distanceUm,
      this.stopStepUm,
      this.record.all('target').find(({ record }) => record === this.target?.record) ?? null,
      this.isRecordOnly ? null : this.#ruleBook,
    ),
  );
  /** The package opened for this coil. */
  readonly opened = $derived.by(() => {
    const event = findEvent(this.record.all('step_event'), 'package_opened', this.round);
    if (event === null) return null;
    const [act, named] = [actOf(event.record), packageInAnswers(event)];
    const isOfAct = ({ record }: RecordState) =>
      named === '' ? actOf(record) === act : record === named;
    return this.record.standing('package_opened').find(isOfAct) ?? null;
  });
  /** Packages laid out for the case that no act has taken yet. */
  readonly laidOut = $derived.by(() =>
    laidOutPackages(
      this.record.all('package_opened'),
      this.record.all('coil_placed'),
      this.record.all('step_event'),
    ),
  );
  /** The ampoule in use: that of the latest aliquot which named one, thrown away or put back none. */
  readonly adhesivePackage = $derived.by(() =>
    packageInUse(this.record.all('step_event'), this.record.standing('package_opened')),
  );
  readonly lastAct = $derived.by(() => this.acts.findLast((act) => !act.isUndone) ?? null);
  readonly leftOut = $derived.by(() => stepsBeforePuncture(this.steps, this.events));

  /** What is drawn of each target: without the plan where that is out of date (HAZ-02). */
  readonly sketches = $derived.by(() =>
    sketchesOf({
      all: (kind) => this.record.all(kind),
      plan: this.isPlanStale ? null : this.#saved,
      loopOf: loopsOf(this.stock.list),
    }),
  );

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

  /** Flushes passed with no amount entered, of one target or of all: they are in no tally. */
  flushesWithoutAmount(targetLabel?: string): number {
    const flushSteps = this.steps.filter(({ takes }) => takes === 'flush').map(({ id }) => id);
    return flushesWithoutAmount(this.record.all('step_event'), flushSteps, targetLabel);
  }

  /** Pure adhesive of the session; mix where its parts are not known, which is the stricter. */
  readonly givenUl = $derived.by(() => this.totals.pureUl + this.totals.mixOfUnknownPartsUl);

  /** Overrides that stand in the case. */
  readonly overrides = $derived.by(() => overridesOf(this.record.all('step_event')));

  /** Return the gates and soft remarks that the facts raise here, those raised before quiet. */
  gatesOn(facts: Facts): StandingGate[] {
    const already_raised = [
      ...this.overrides.map(({ cause }) => cause).filter((cause) => typeof cause === 'string'),
      ...this.#raised.elsewhere(this.#visit),
    ];
    return standingGates(this.#ruleBook, { ...facts, already_raised });
  }

  /** The items of the unit's list, as their records stand. */
  get stockItems(): readonly RecordState[] {
    return this.stock.list;
  }

  /** Today in the unit's time zone. */
  get todayOn(): string {
    return this.app.clock.today();
  }

  /** What this tablet knows of packages beside the one at hand. */
  get knownPackages(): KnownPackages {
    return {
      packages: this.#packages.list,
      movements: this.#movements.list,
      recalls: this.#recalls.list,
      items: this.stock.list,
      lookAlikes: lookAlikesOf(this.#ruleBook),
    };
  }

  /** Say whether the gate was passed in this case, on these very facts. */
  isPassed(standing: StandingGate): boolean {
    return this.overrides.some((one) => passes(one, standing));
  }

  /** Keep that these gates are on screen at this step. */
  noteRaised(standing: readonly StandingGate[]): void {
    this.#raised.note(
      standing.map(({ gate }) => gate.cause),
      this.#visit,
    );
  }

  /** The causes that came up first at this step: what is recorded now says so (GATE-05). */
  get raisedHere(): string[] {
    return this.#raised.at(this.#visit);
  }

  /** Keep what was pressed on this step. */
  answer(pressed: Partial<StepAnswers>): void {
    this.#pressed = { key: this.#key, answers: { ...this.answers, ...pressed } };
  }

  /** Read what undone records held, so that the list can show them struck through. */
  async readStruck(): Promise<void> {
    const undone = [...this.record.all('step_event'), ...this.record.all('complication')].filter(
      (record) => record.isEnteredInError && !this.#struck.has(record.record),
    );
    if (undone.length === 0) return;
    const known = new Map(this.#struck);
    for (const { record } of undone) {
      const history = await this.app.store.history(record);
      known.set(record, history.find((entry) => Object.keys(entry.set).length > 0)?.set ?? {});
    }
    this.#struck = known;
  }

  /** Stop following the store. */
  dispose(): void {
    this.record.dispose();
    for (const list of [this.stock, this.staff, this.#packages, this.#movements, this.#recalls]) {
      list.dispose();
    }
  }

  #agentOf(stock: string): string {
    return this.adhesives.find(({ record }) => record === stock)?.agent ?? '';
  }

  #measured(step: string): number | null {
    const { target, puncture } = this.round;
    const event = findEvent(this.record.all('step_event'), step, { ...NO_ROUND, target, puncture });
    return answerOf(event, 'length_um');
  }
}
