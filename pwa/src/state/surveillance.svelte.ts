/** Surveillance of one case: the plan from what is known now, and the acts on it. */
import { answerFollowUp, type FollowUpAnswer } from '../clinical-rules/follow-up';
import { answerLiverScores } from '../clinical-rules/liver-scores';
import type { RuleBook } from '../clinical-rules/rule-book';
import type { Clock, Draft, HistoryEntry, Json, RecordStore } from '../ports';
import { kept } from '../text/record';
import type { CaseRecord } from './case-record.svelte';
import { draftOn, undoDraft } from './decisions-draft';
import { civilDayOf } from './decisions-time';
import { type RecordState, textOf } from './shown';
import {
  askFollowUp,
  blankState,
  happeningsOf,
  type KnownInput,
  knownInputs,
  type PlanChanges,
  planChanges,
  resultRecordOf,
  withFields,
} from './surveillance';
import type { Tablet } from './tablet.svelte';
import { isOpen } from './worklist';
import { endDraft, noShowDraft } from './worklist-acts';
import { askLiverScores } from './workup';
import { latestLabs } from './workup-labs';

type Asked = { answer: FollowUpAnswer; problem: '' } | { answer: null; problem: string };

interface Parts {
  store: RecordStore;
  tablet: Pick<Tablet, 'save'>;
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
      this.#childClass(),
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

  #childClass(): string | null {
    const { request } = askLiverScores(
      this.#case.itself,
      this.#case.patient,
      latestLabs(this.#case.all('lab_result')),
      this.todayOn,
    );
    try {
      const { child_pugh: found } = answerLiverScores(request, this.#parts.ruleBook);
      return 'class' in found ? found.class : null;
    } catch {
      // Too little for any score: the class is simply not known.
      return null;
    }
  }

  #ask(happened: ReturnType<typeof happeningsOf>): Asked {
    if (this.indexOn === '') return { answer: null, problem: '' };
    const request = askFollowUp(this.indexOn, this.todayOn, this.inputs, happened);
    try {
      return { answer: answerFollowUp(request, this.#parts.ruleBook), problem: '' };
    } catch (error) {
      return { answer: null, problem: error instanceof Error ? error.message : String(error) };
    }
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
  recordAttended(visit: RecordState, on: string, because: string, words: string): Promise<void> {
    return this.#inTurn(async () => {
      const status = draftOn(visit, visit.record, { status: 'attended' }, { because });
      const result = await this.#resultDraft(visit.record, { on });
      await this.#save([status, result, ...(await this.#followingDrafts(visit, { on }))], words);
    });
  }

  /** Record one finding of a visit; the plan that follows is saved in the same act. */
  recordFinding(visit: RecordState, field: string, answer: Json, words: string): Promise<void> {
    return this.#inTurn(async () => {
      const result = await this.#resultDraft(visit.record, { [field]: answer });
      const following = await this.#followingDrafts(visit, { [field]: answer });
      await this.#save([result, ...following], words);
    });
  }

  recordNoShow(visit: RecordState, words: string): Promise<void> {
    return this.#inTurn(async () => {
      const history = await this.#parts.store.history(visit.record);
      const { ruleBook, clock } = this.#parts;
      const course = { ruleBook, todayOn: clock.today(), role: 'clinician', who: '' } as const;
      await this.#save([noShowDraft(visit, history, kept.didNotCome, course)], words);
    });
  }

  /** End one visit that is not needed any more. */
  endVisit(visit: RecordState, words: string): Promise<void> {
    return this.#inTurn(() => this.#save([endDraft(visit, 'not-needed')], words));
  }

  /** End every open visit with one reason. */
  endFollowUp(reason: string, words: string): Promise<void> {
    return this.#inTurn(async () => {
      const open = (await this.#visitsNow()).filter(isOpen);
      await this.#save(
        open.map((visit) => endDraft(visit, reason)),
        words,
      );
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

  async #resultDraft(visit: string, set: Record<string, Json>): Promise<Draft> {
    const record = resultRecordOf(visit);
    const [now] = await this.#parts.store.read({ kind: 'visit_result', record });
    const isNew = now === undefined || textOf(now, 'visit') === '';
    const base = isNew ? { case: this.#case.caseRecord, visit } : {};
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

  #inTurn(work: () => Promise<void>): Promise<void> {
    const done = this.#turn.then(work);
    this.#turn = done.catch(() => undefined);
    return done;
  }
}
