/** Surveillance of one case: the plan from what is known now, and the acts on it. */
import type { FollowUpAnswer, PlannedVisit } from '../clinical-rules/follow-up';
import type { RuleBook } from '../clinical-rules/rule-book';
import type { Clock, HistoryEntry, Json, RecordStore } from '../ports';
import { deathDay } from '../text/death-day';
import { kept } from '../text/record';
import { surveillance } from '../text/surveillance';
import { ActTurns, type LastAct } from './act-turns.svelte';
import type { CaseRecord } from './case-record.svelte';
import { courseRoleOf } from './course-role';
import type { DeathDay } from './death-day';
import { readTreatedOn } from './death-day-cases';
import { draftOn } from './decisions-draft';
import { civilDayOf } from './decisions-time';
import { type RecordState, textOf } from './shown';
import { type KnownInput, knownInputs } from './surveillance';
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
  deathDayDrafts,
  endDrafts,
  endFollowUpDrafts,
  endLabelOf,
  type TookPlace,
  tookPlaceDraft,
} from './surveillance-course';
import { type Bleed, SurveillanceDrafts } from './surveillance-drafts';
import { type Happening, happeningsOf } from './surveillance-happenings';
import { type PlanChanges, planChanges } from './surveillance-plan';
import type { Tablet } from './tablet.svelte';
import { type EndReason, noShowDraft } from './worklist-acts';
import type { Course } from './worklist-course';

interface Parts {
  store: RecordStore;
  tablet: Pick<Tablet, 'save' | 'whoTapsRole' | 'standing'>;
  clock: Clock;
  ruleBook: RuleBook;
}

const NO_CHANGES: PlanChanges = { fresh: [], moved: [], gone: [] };

export class Surveillance {
  readonly #parts: Parts;
  readonly #case: CaseRecord;
  readonly #drafts: SurveillanceDrafts;
  readonly #turns: ActTurns;
  todayOn = $state('');
  histories = $state.raw<Record<string, HistoryEntry[]>>({});

  constructor(parts: Parts, caseRecord: CaseRecord) {
    this.#parts = parts;
    this.#case = caseRecord;
    this.todayOn = parts.clock.today();
    this.#turns = new ActTurns(parts.tablet, () => {
      this.todayOn = parts.clock.today();
    });
    this.#drafts = new SurveillanceDrafts({
      ...{ store: parts.store, caseRecord },
      readHistories: async (visits) => {
        await this.readHistories(visits);
        return this.histories;
      },
      changesOf: (happened, visits) => this.#changesOf(this.#ask(happened).answer, visits),
      planning: () => this.#planning,
      mayPlan: () => this.mayPlan,
    });
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

  get lastAct(): LastAct | null {
    return this.#turns.last;
  }

  /** Why the last act was not recorded, in one sentence; "" where it was. */
  get refused(): string {
    return this.#turns.refused;
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

  /**
   * Whether the person who taps may make the plan (CV3). A device that works alone has no list of
   * staff to choose from: whoever uses it plans.
   */
  get mayPlan(): boolean {
    const { standing, whoTapsRole } = this.#parts.tablet;
    return this.isClinician || (standing?.joined === false && whoTapsRole === '');
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
    return this.#turns.take(() =>
      this.#turns.save([draftOn(itself, caseRecord, { procedure_on: on })], words),
    );
  }

  /** Save every visit that is new or moved, in one act. */
  makePlan(words: string): Promise<void> {
    return this.#turns.take(async () => {
      const { fresh, moved } = await this.#drafts.changes();
      await this.#turns.save([...fresh, ...moved], words);
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
    return this.#turns.take(async () => {
      const { on } = told;
      const status = tookPlaceDraft(visit, told, because, this.#course);
      const result = await this.#drafts.result(visit, { on });
      await this.#turns.save(
        [status, result, ...(await this.#drafts.following(visit, { on }))],
        words,
      );
    });
  }

  /** Note on which day a visit was that is recorded as attended; its findings are asked then. */
  noteDay(visit: RecordState, on: string, words: string): Promise<void> {
    return this.#turns.take(async () => {
      const result = await this.#drafts.result(visit, { on });
      await this.#turns.save([result, ...(await this.#drafts.following(visit, { on }))], words);
    });
  }

  /** Record one finding of a visit; the plan that follows is saved in the same act. */
  recordFinding(visit: RecordState, field: string, answer: Json, words: string): Promise<void> {
    return this.#turns.take(async () => {
      const result = await this.#drafts.result(visit, { [field]: answer });
      const following = await this.#drafts.following(visit, { [field]: answer });
      await this.#turns.save([result, ...following], words);
    });
  }

  /** Record one thing told of a bleed since the last visit; the plan does not turn on it. */
  recordBleed(visit: RecordState, told: Bleed, words: string): Promise<void> {
    return this.#turns.take(async () => {
      await this.#turns.save([await this.#drafts.bleed(visit, told)], words);
    });
  }

  recordNoShow(visit: RecordState, words: string): Promise<void> {
    return this.#turns.take(async () => {
      const history = await this.#parts.store.history(visit.record);
      await this.#turns.save([noShowDraft(visit, history, kept.didNotCome, this.#course)], words);
    });
  }

  /** End one visit that is not needed any more. */
  endVisit(visit: RecordState, words: string): Promise<void> {
    return this.#turns.take(() =>
      this.#turns.save(endDrafts([visit], 'not-needed', this.#course), words),
    );
  }

  /**
   * End the follow-up with one reason, whether a visit is open or not.
   *
   * @param diedOn - after a death: its day, where it was answered
   */
  endFollowUp(reason: EndReason, words: string, diedOn?: DeathDay): Promise<void> {
    return this.#turns.take(async () => {
      const { itself, caseRecord } = this.#case;
      if (await this.#refusesDeath(diedOn)) return;
      const patient = textOf(itself, 'patient');
      const label = endLabelOf(this.labels);
      const because = surveillance.recordedAs.byHand;
      const visits = await this.#parts.store.read({ kind: 'visit', parent: patient });
      const followUp = { patient, caseRecord, label, because };
      const drafts = endFollowUpDrafts(visits, reason, followUp, this.#course, diedOn);
      if (drafts.length === 0) this.#turns.refused = surveillance.nothingToEnd;
      else await this.#turns.save(drafts, words);
    });
  }

  /** Say on which day the person died whose follow-up has ended by it; it stays ended. */
  noteDeathDay(diedOn: string | null, words: string): Promise<void> {
    return this.#turns.take(async () => {
      if (await this.#refusesDeath(diedOn)) return;
      const patient = textOf(this.#case.itself, 'patient');
      const visits = await this.#parts.store.read({ kind: 'visit', parent: patient });
      await this.#turns.save(deathDayDrafts(visits, diedOn, this.#course), words);
    });
  }

  /** Return the day of the last treatment of the person, in whichever case; "" where none is known. */
  async readTreatedOn(): Promise<string> {
    return readTreatedOn(this.#parts.store, textOf(this.#case.itself, 'patient'));
  }

  async #refusesDeath(diedOn: DeathDay): Promise<boolean> {
    if (typeof diedOn !== 'string') return false;
    const { clock } = this.#parts;
    this.#turns.refused = deathDay.refuse(diedOn, await this.readTreatedOn(), clock.today());
    return this.#turns.refused !== '';
  }

  /** Add a visit by hand, where no plan can be made. */
  addByHand(told: Omit<HandVisit, 'patient' | 'caseRecord'>, words: string): Promise<void> {
    return this.#turns.take(async () => {
      const { itself, caseRecord } = this.#case;
      const visit = { ...told, patient: textOf(itself, 'patient'), caseRecord };
      await this.#turns.save(
        [handDraft(visit, surveillance.recordedAs.byHand, this.#course)],
        words,
      );
    });
  }

  undo(): Promise<void> {
    return this.#turns.undo();
  }

  /** Under which rules visits are acted on now, and as whom; nobody holds one in person by it. */
  get #course(): Course {
    const { ruleBook, clock, tablet } = this.#parts;
    const role = courseRoleOf(tablet.whoTapsRole);
    return { ruleBook, todayOn: clock.today(), role, who: '' };
  }

  /** As `#course`, for who may make the plan. */
  get #planning(): Course {
    return this.mayPlan ? { ...this.#course, role: 'clinician' } : this.#course;
  }
}
