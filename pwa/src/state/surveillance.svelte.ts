/** Surveillance of one case: the plan from what is known now, and the acts on it. */
import { ClinicalRuleError } from '../clinical-rules/errors';
import type { FollowUpAnswer, PlannedVisit } from '../clinical-rules/follow-up';
import type { RuleBook } from '../clinical-rules/rule-book';
import type { Clock, Draft, HistoryEntry, Json, RecordStore } from '../ports';
import { kept } from '../text/record';
import { surveillance } from '../text/surveillance';
import type { CaseRecord } from './case-record.svelte';
import { draftOn, undoDraft } from './decisions-draft';
import { civilDayOf } from './decisions-time';
import { type RecordState, textOf } from './shown';
import {
  blankState,
  type Happening,
  happeningsOf,
  type KnownInput,
  knownInputs,
  type PlanChanges,
  planChanges,
  resultRecordOf,
  withFields,
} from './surveillance';
import { type Asked, askPlan, childClassOf } from './surveillance-asked';
import {
  findNextRecorded,
  type HandVisit,
  handDraft,
  isByHand,
  lacksFinding,
  listLabels,
  listPlacesElsewhere,
  listRecorded,
  type RecordedAct,
  type VisitLabel,
} from './surveillance-by-hand';
import {
  courseRoleOf,
  endDrafts,
  endFollowUpDrafts,
  endLabelOf,
  type TookPlace,
  tookPlaceDraft,
} from './surveillance-course';
import type { Tablet } from './tablet.svelte';
import { type EndReason, noShowDraft } from './worklist-acts';
import type { Course } from './worklist-course';

interface Parts {
  store: RecordStore;
  tablet: Pick<Tablet, 'save' | 'whoTapsRole'>;
  clock: Clock;
  ruleBook: RuleBook;
}

interface Held {
  visits: RecordState[];
  results: RecordState[];
}

interface LastAct {
  words: string;
  undo: Draft[];
}

const NO_CHANGES: PlanChanges = { fresh: [], moved: [], gone: [] };

export class Surveillance {
  readonly #parts: Parts;
  readonly #case: CaseRecord;
  #turn: Promise<unknown> = Promise.resolve();
  todayOn = $state('');
  histories = $state.raw<Record<string, HistoryEntry[]>>({});
  lastAct = $state.raw<LastAct | null>(null);
  /** Why the last act was not recorded, in one sentence; "" where it was. */
  refused = $state('');

  constructor(parts: Parts, caseRecord: CaseRecord) {
    this.#parts = parts;
    this.#case = caseRecord;
    this.todayOn = parts.clock.today();
  }

  /** Read how each visit came to be; call whenever the visits changed. */
  async readHistories(visits: readonly RecordState[]): Promise<void> {
    const entries = await Promise.all(
      visits.map(
        async ({ record }): Promise<[string, HistoryEntry[]]> => [
          record,
          await this.#parts.store.history(record),
        ],
      ),
    );
    this.histories = Object.fromEntries(entries);
  }

  get indexOn(): string {
    return textOf(this.#case.itself, 'procedure_on');
  }

  get inputs(): KnownInput[] {
    return knownInputs(
      this.#case.itself,
      childClassOf(this.#case, this.#parts.ruleBook, this.todayOn),
      this.#case.standing('coil_placed'),
      this.#case.standing('adhesive_injected'),
    );
  }

  get asked(): Asked {
    return this.#ask(
      happeningsOf(
        this.#case.visits,
        this.#case.standing('visit_result'),
        this.histories,
        civilDayOf,
      ),
    );
  }

  /** What "Make this plan" or "Update the plan" would save. */
  get changes(): PlanChanges {
    return this.#changesOf(this.asked.answer, this.#case.visits);
  }

  /** Whether the case is recorded only: no plan is made for it (HAZ-13). */
  get isRecordOnly(): boolean {
    return this.#parts.ruleBook.isRecordOnly;
  }

  /** Whether the person who taps may end or plan visits (HAZ-45). */
  get isClinician(): boolean {
    return courseRoleOf(this.#parts.tablet.whoTapsRole) === 'clinician';
  }

  /** What a visit added by hand may be called; empty where no plan is listed. */
  get labels(): VisitLabel[] {
    return listLabels(this.#parts.ruleBook);
  }

  /** Recorded visits that the plan does not show. */
  get recorded(): PlannedVisit[] {
    return listRecorded(this.#case.visits, this.asked.answer, this.labels, this.todayOn);
  }

  /** The next act on visits that the plan does not show. */
  get nextRecorded(): RecordedAct | null {
    const { answer } = this.asked;
    return findNextRecorded(this.#case.visits.filter((one) => answer === null || isByHand(one)));
  }

  /** What is missing to tell what comes next, as `answerFollowUp` names it. */
  get missing(): readonly string[] {
    const told = this.asked.answer?.missing ?? [];
    const isLacking = lacksFinding(this.recorded, this.#case.standing('visit_result'));
    return isLacking ? [...new Set([...told, 'happened.doppler_flow'])] : told;
  }

  get placesElsewhere(): string[] {
    return listPlacesElsewhere(this.#case.visits);
  }

  #ask(happened: readonly Happening[]): Asked {
    return askPlan(this.indexOn, this.todayOn, this.inputs, happened, this.#parts.ruleBook);
  }

  #changesOf(answer: FollowUpAnswer | null, visits: readonly RecordState[]): PlanChanges {
    const patient = textOf(this.#case.itself, 'patient');
    if (answer === null || patient === '') return NO_CHANGES;
    return planChanges(this.#case.caseRecord, patient, answer, visits);
  }

  // --- acts: one after the other, each on what the store holds then ---------------------------

  setIndexDay(on: string, words: string): Promise<void> {
    const { itself, caseRecord } = this.#case;
    return this.#inTurn(() =>
      this.#save([draftOn(itself, caseRecord, { procedure_on: on })], words),
    );
  }

  /** Save every visit that is new or moved, in one act. */
  makePlan(words: string): Promise<void> {
    return this.#inTurn(async () => {
      const { fresh, moved } = await this.#changesAfter();
      await this.#save([...fresh, ...moved], words);
    });
  }

  /**
   * Record that a visit took place; the plan that follows is saved in the same act.
   *
   * @param visit - as drawn when pressed
   */
  recordAttended(
    visit: RecordState,
    told: TookPlace,
    because: string,
    words: string,
  ): Promise<void> {
    return this.#inTurn(async () => {
      const { on } = told;
      const status = tookPlaceDraft(visit, told, because, this.#course);
      const result = await this.#resultDraft(visit, { on });
      await this.#save([status, result, ...(await this.#followingDrafts(visit, { on }))], words);
    });
  }

  /** Note on which day a visit was that is recorded as attended; its findings are asked then. */
  noteDay(visit: RecordState, on: string, words: string): Promise<void> {
    return this.#inTurn(async () => {
      const result = await this.#resultDraft(visit, { on });
      await this.#save([result, ...(await this.#followingDrafts(visit, { on }))], words);
    });
  }

  /** Record one finding of a visit; the plan that follows is saved in the same act. */
  recordFinding(visit: RecordState, field: string, answer: Json, words: string): Promise<void> {
    return this.#inTurn(async () => {
      const result = await this.#resultDraft(visit, { [field]: answer });
      const following = await this.#followingDrafts(visit, { [field]: answer });
      await this.#save([result, ...following], words);
    });
  }

  recordNoShow(visit: RecordState, words: string): Promise<void> {
    return this.#inTurn(async () => {
      const history = await this.#parts.store.history(visit.record);
      await this.#save([noShowDraft(visit, history, kept.didNotCome, this.#course)], words);
    });
  }

  /** End one visit that is not needed any more. */
  endVisit(visit: RecordState, words: string): Promise<void> {
    return this.#inTurn(() => this.#save(endDrafts([visit], 'not-needed', this.#course), words));
  }

  /** End the follow-up with one reason, whether a visit is open or not. */
  endFollowUp(reason: EndReason, words: string): Promise<void> {
    return this.#inTurn(async () => {
      const { itself, caseRecord } = this.#case;
      const patient = textOf(itself, 'patient');
      const label = endLabelOf(this.labels);
      const because = surveillance.recordedAs.byHand;
      const visits = await this.#parts.store.read({ kind: 'visit', parent: patient });
      const followUp = { patient, caseRecord, label, because };
      const drafts = endFollowUpDrafts(visits, reason, followUp, this.#course);
      if (drafts.length === 0) this.refused = surveillance.nothingToEnd;
      else await this.#save(drafts, words);
    });
  }

  /** Add a visit by hand, where no plan can be made. */
  addByHand(told: Omit<HandVisit, 'patient' | 'caseRecord'>, words: string): Promise<void> {
    return this.#inTurn(async () => {
      const { itself, caseRecord } = this.#case;
      const visit = { ...told, patient: textOf(itself, 'patient'), caseRecord };
      await this.#save([handDraft(visit, surveillance.recordedAs.byHand, this.#course)], words);
    });
  }

  undo(): Promise<void> {
    return this.#inTurn(async () => {
      const last = this.lastAct;
      if (last === null) return;
      const answer = await this.#parts.tablet.save(last.undo);
      if (answer.kind === 'saved') this.lastAct = null;
    });
  }

  async #visitsNow(): Promise<RecordState[]> {
    const patient = textOf(this.#case.itself, 'patient');
    const visits = await this.#parts.store.read({ kind: 'visit', parent: patient });
    return visits.filter((visit) => textOf(visit, 'case') === this.#case.caseRecord);
  }

  /** The changes of the plan as the store holds the case now, or as `told` makes it. */
  async #changesAfter(told: (held: Held) => Held = (held) => held): Promise<PlanChanges> {
    const [visits, results] = await Promise.all([
      this.#visitsNow(),
      this.#parts.store.read({ kind: 'visit_result', parent: this.#case.caseRecord }),
    ]);
    await this.readHistories(visits);
    const after = told({ visits, results });
    const happened = happeningsOf(after.visits, after.results, this.histories, civilDayOf);
    const changes = this.#changesOf(this.#ask(happened).answer, after.visits);
    return { ...changes, fresh: await Promise.all(changes.fresh.map((one) => this.#afresh(one))) };
  }

  /** A visit that was undone shows no field, but is there: the draft has to be a new act on it. */
  async #afresh(draft: Draft): Promise<Draft> {
    const [now] = await this.#parts.store.read({ kind: 'visit', record: draft.record });
    return draftOn(now ?? null, draft.record, draft.set ?? {});
  }

  /** The visits that are new or moved once a result stands, as it is about to be saved. */
  async #followingDrafts(visit: RecordState, told: Record<string, Json>): Promise<Draft[]> {
    const record = resultRecordOf(visit.record);
    const { fresh, moved } = await this.#changesAfter(({ visits, results }) => {
      const known = results.find((result) => result.record === record);
      const result = withFields(known ?? blankState(record), { visit: visit.record, ...told });
      return {
        visits: visits.map((one) =>
          one.record === visit.record ? withFields(one, { status: 'attended' }) : one,
        ),
        results: [...results.filter((one) => one !== known), result],
      };
    });
    return [...fresh, ...moved];
  }

  async #resultDraft(visit: RecordState, set: Record<string, Json>): Promise<Draft> {
    const record = resultRecordOf(visit.record);
    const [now] = await this.#parts.store.read({ kind: 'visit_result', record });
    const isNew = now === undefined || textOf(now, 'visit') === '';
    const base = isNew ? { case: this.#case.caseRecord, visit: visit.record } : {};
    return draftOn(now ?? null, record, { ...base, ...set });
  }

  async #save(drafts: readonly Draft[], words: string): Promise<void> {
    if (drafts.length === 0) return;
    const answer = await this.#parts.tablet.save(drafts);
    if (answer.kind === 'not-saved') return;
    this.lastAct = {
      words,
      undo: drafts.map((draft, place) =>
        undoDraft(draft.record, [answer.references[place] ?? ''], kept.undone),
      ),
    };
    this.todayOn = this.#parts.clock.today();
  }

  /** Under which rules visits are acted on now, and as whom; nobody holds one in person by it. */
  get #course(): Course {
    const { ruleBook, clock, tablet } = this.#parts;
    const role = courseRoleOf(tablet.whoTapsRole);
    return { ruleBook, todayOn: clock.today(), role, who: '' };
  }

  /** One act after the other; what the rules of the course refuse is said, not recorded. */
  #inTurn(work: () => Promise<void>): Promise<void> {
    const done = this.#turn.then(async () => {
      this.refused = '';
      try {
        await work();
      } catch (error) {
        if (!(error instanceof ClinicalRuleError)) throw error;
        this.refused = error.message;
      }
    });
    this.#turn = done.catch(() => undefined);
    return done;
  }
}
