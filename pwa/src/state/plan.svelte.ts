/** One case's plan on screen: inputs, the rules' answer to them, and the plan in use. */
import { ClinicalRuleError } from '../clinical-rules/errors';
import type { Facts } from '../clinical-rules/gate-facts';
import { nameRuleFiles, type RuleBook } from '../clinical-rules/rule-book';
import { rowShape } from '../clinical-rules/rule-file';
import { text, wholeNumber } from '../clinical-rules/shapes';
import { answerSizing } from '../clinical-rules/sizing';
import { findProtocol } from '../clinical-rules/step-protocol';
import type { Json, RecordState } from '../ports';
import { AnswerActs } from './answer-acts.svelte';
import type { App } from './app';
import { calculate, partOf, ruleFilesOf } from './calculation';
import { LiveRecords } from './live-records.svelte';
import { type StandingGate, standingGates } from './override';
import { enterPart } from './picture-size';
import {
  askPlan,
  inOrder,
  isSameQuestion,
  judgePlan,
  nextTargetLetter,
  type Request,
  savedPlanOf,
  targetRecord,
} from './plan';
import { PLAN_STEP } from './procedure-events';
import { RaisedCauses } from './raised-causes.svelte';
import { RaisedTrace } from './raised-trace';
import { idOf, numberOf, overOf, shown, structureOf, textOf } from './shown';
import { inStockOrder } from './stock-order';
import { protocolStanding, type UnitRules } from './unit-rules';
import { CaseWork } from './workup.svelte';

const LIMITS = 'sizing/limits';
/** Where the gates of this screen are raised: at the bedside they are quiet then (GATE-04). */
const PLACE = 'plan';
const readLimitRow = rowShape({ item: text, amount: wholeNumber });

export class CasePlan extends CaseWork {
  readonly stock: LiveRecords;
  readonly #ruleBook: RuleBook;
  readonly #ids: App['ids'];
  readonly #unit: UnitRules;
  readonly #raised: RaisedCauses;
  /** Each act here leaves what came up before it (GATE-05). */
  override readonly acts: AnswerActs;
  /** The question for which new numbers were asked for while another plan was in use. */
  #askedAgain = $state.raw<Request | null>(null);

  constructor(app: App, caseId: string) {
    super(app, caseId);
    this.#ruleBook = app.ruleBook;
    this.#ids = app.ids;
    this.#unit = app.unitRules.rules;
    this.#raised = new RaisedCauses(app, this.record.caseRecord);
    const trace = new RaisedTrace(app, {
      caseRecord: this.record.caseRecord,
      step: PLAN_STEP,
      causes: () => this.#raised.at(PLACE),
      stepEvents: () => this.record.all('step_event'),
    });
    this.acts = new AnswerActs({ ...app, tablet: trace });
    this.stock = new LiveRecords(app.store, { kind: 'stock_item' });
  }

  /** No number of any calculation, also none of a plan saved before (HAZ-13). */
  readonly isRecordOnly = $derived.by(() => this.#ruleBook.isRecordOnly);
  readonly targets = $derived.by(() => inOrder(this.record.all('target')));
  readonly question = $derived.by(() =>
    askPlan(this.record.itself, this.record.all('target'), this.stock.list),
  );
  readonly standing = $derived.by(() => judgePlan(savedPlanOf(this.record.itself), this.question));

  /**
   * The answer whose numbers may be shown now: the plan in use, byte for byte as it was saved;
   * else a fresh one, unless an out-of-date plan waits for "Plan again" (HAZ-02, HAZ-10).
   */
  readonly visible = $derived.by(() => {
    const { standing, question } = this;
    if (this.isRecordOnly) return null;
    if (standing.kind === 'in-use') {
      return { answer: standing.plan.answer, request: standing.plan.request, isInUse: true };
    }
    if (question.kind !== 'ask') return null;
    const mayShow =
      standing.kind === 'none' ||
      (this.#askedAgain !== null && isSameQuestion(this.#askedAgain, question.request));
    if (!mayShow) return null;
    const { answer } = calculate(() => answerSizing(question.request, this.#ruleBook));
    return answer === null ? null : { answer, request: question.request, isInUse: false };
  });

  /** Sentence of the rules where they refuse the question as a whole, else "". */
  readonly refusal = $derived.by(() => {
    const { question } = this;
    if (question.kind !== 'ask' || this.isRecordOnly) return '';
    return calculate(() => answerSizing(question.request, this.#ruleBook)).sentence;
  });

  /** Targets whose size was estimated: the numbers rest on them (SOFT-03). */
  readonly estimated = $derived.by(() =>
    this.targets
      .filter((target) => structureOf(target, 'size')?.origin === 'estimated')
      .map((target) => textOf(target, 'label')),
  );
  /** How the rule files of the numbers stand in this unit (HARD-07). */
  readonly protocol = $derived.by(() => protocolStanding(this.#unit, this.#ruleBook.on, 'sizing'));

  /** Return the gates and soft remarks that the facts raise here, those raised before quiet. */
  gatesOn(facts: Facts): StandingGate[] {
    const already_raised = this.#raised.elsewhere(PLACE);
    return standingGates(this.#ruleBook, { ...facts, already_raised });
  }

  /** Keep that these gates are on screen. */
  noteRaised(standing: readonly StandingGate[]): void {
    this.#raised.note(
      standing.map(({ gate }) => gate.cause),
      PLACE,
    );
  }

  /** True where the plan in use was made by rule files that are no longer those in force. */
  readonly isByOlderRules = $derived.by(() => {
    const { standing } = this;
    if (standing.kind !== 'in-use') return false;
    const { answer } = calculate(() => answerSizing(standing.plan.request, this.#ruleBook));
    const names = (from: unknown) =>
      ruleFilesOf(from)
        .map((file) => `${file.name} ${file.sha256}`)
        .join(' ');
    return names(answer) !== names(standing.plan.answer);
  });

  /**
   * Return a limit of the rule file that the visible answer was made by, with its basis; null
   * where that version is not on this tablet.
   */
  limitOf(item: string): { amount: number; basis: string; source: string } | null {
    const file = ruleFilesOf(this.visible?.answer).find(({ name }) => name === LIMITS);
    if (file === undefined) return null;
    try {
      const { rows } = this.#ruleBook.ruleFileVersion(LIMITS, file.version, readLimitRow);
      const row = rows.find((found) => found.item === item);
      if (row === undefined) return null;
      return { amount: row.amount, basis: row.basis ?? '', source: row.source ?? '' };
    } catch (error) {
      if (error instanceof ClinicalRuleError) return null;
      throw error;
    }
  }

  /** The items of a kind on the unit's list, coils by their size. */
  stockOf(item: 'coil' | 'needle' | 'adhesive'): RecordState[] {
    return inStockOrder(this.stock.list).filter(
      (state) => !state.isEnteredInError && shown(state, 'item') === item,
    );
  }

  planAgain(): void {
    if (this.question.kind === 'ask') this.#askedAgain = this.question.request;
  }

  /** Save the numbers on screen as the plan of this case, and the stage with it. */
  usePlan(words: string): void {
    const { visible } = this;
    if (visible === null || visible.isInUse) return;
    const { caseRecord, itself } = this.record;
    const [protocol] = nameRuleFiles(findProtocol(this.#ruleBook));
    const over = overOf(itself, 'plan', 'stage');
    const draftId = this.#ids.newId();
    void this.acts.saveTogether('use plan', words, () => [
      {
        draftId,
        record: caseRecord,
        set: {
          plan: {
            request: visible.request as Json,
            answer: visible.answer as unknown as Json,
            protocol: { ...protocol },
          },
          ...(this.#isBeforePlanned ? { stage: 'planned' } : {}),
        },
        over: this.#isBeforePlanned ? over : { plan: over.plan ?? [] },
      },
    ]);
  }

  get #isBeforePlanned(): boolean {
    const stage = shown(this.record.itself, 'stage');
    return stage === undefined || stage === 'workup';
  }

  /** Add a target under the next letter: "Varix A". */
  addTarget(): void {
    const caseId = idOf(this.record.caseRecord);
    const all = this.record.all('target');
    const letter = nextTargetLetter(all, caseId);
    if (letter === '') return;
    const label = `Varix ${letter.toUpperCase()}`;
    const order = Math.max(0, ...all.map((target) => numberOf(target, 'order') ?? 0)) + 1;
    void this.acts.give({
      record: targetRecord(caseId, letter),
      onScreen: null,
      field: 'label',
      words: label,
      control: 'add target',
      compose: () => label,
      withNew: { case: this.record.caseRecord, order },
    });
  }

  /** Save one number or word of a target's size or distance, the others as they stand. */
  answerTarget(
    target: RecordState,
    field: 'size' | 'distance' | 'access' | 'feeder',
    part: string,
    content: Json,
    words: string,
  ): void {
    void this.acts.give({
      record: target.record,
      onScreen: target,
      field,
      words: `${textOf(target, 'label')}: ${words}`,
      control: `${target.record} ${part} ${JSON.stringify(content)}`,
      compose: (now) => {
        const held = partOf(now) as Record<string, Json> | null;
        return field === 'size' ? enterPart(held, part, content) : { ...held, [part]: content };
      },
    });
  }

  /** Put one kind of coil on the unit's shelf list. */
  addCoil(id: string, coil: Record<string, number>, count: number, words: string): void {
    void this.acts.saveTogether(`coil ${id}`, words, () => [
      {
        draftId: `${id}-coil`,
        record: `stock_item/${id}`,
        set: { item: 'coil', name: words, coil, count },
      },
    ]);
  }

  override dispose(): void {
    super.dispose();
    this.stock.dispose();
  }
}
