/** What is saved beside an act on the follow-up, from what the store holds at that moment. */
import type { Draft, HistoryEntry, Json, RecordStore } from '../ports';
import type { CaseRecord } from './case-record.svelte';
import { draftOn } from './decisions-draft';
import { civilDayOf } from './decisions-time';
import { blankState, withFields } from './record-state';
import { type RecordState, structureOf, textOf } from './shown';
import { plannedDraft } from './surveillance-course';
import { type Happening, happeningsOf, resultRecordOf } from './surveillance-happenings';
import type { PlanChanges } from './surveillance-plan';
import type { Course } from './worklist-course';

type Histories = Readonly<Record<string, readonly HistoryEntry[]>>;

interface Parts {
  store: Pick<RecordStore, 'read'>;
  caseRecord: Pick<CaseRecord, 'itself' | 'caseRecord'>;
  /** Reads how each visit came to be. */
  readHistories(visits: readonly RecordState[]): Promise<Histories>;
  /** What the plan changes once these things have happened. */
  changesOf(happened: readonly Happening[], visits: readonly RecordState[]): PlanChanges;
  /** Under which rules, and as whom, visits are planned now. */
  planning(): Course;
  mayPlan(): boolean;
}

/** What is told of a bleed since the last visit, as the record keeps it. */
export interface Bleed {
  answer?: string;
  on?: string;
  source?: string;
}

interface Held {
  visits: RecordState[];
  results: RecordState[];
}

export class SurveillanceDrafts {
  readonly #parts: Parts;

  constructor(parts: Parts) {
    this.#parts = parts;
  }

  /** The changes of the plan as the store holds the case now, or as `told` makes it. */
  async changes(told: (held: Held) => Held = (held) => held): Promise<PlanChanges> {
    const { store, caseRecord, readHistories, changesOf } = this.#parts;
    const [visits, results] = await Promise.all([
      this.#visitsNow(),
      store.read({ kind: 'visit_result', parent: caseRecord.caseRecord }),
    ]);
    const histories = await readHistories(visits);
    const after = told({ visits, results });
    const happened = happeningsOf(after.visits, after.results, histories, civilDayOf);
    const changes = changesOf(happened, after.visits);
    return { ...changes, fresh: await Promise.all(changes.fresh.map((one) => this.#afresh(one))) };
  }

  /** The visits that are new or moved once a result stands, as it is about to be saved. */
  async following(visit: RecordState, told: Record<string, Json>): Promise<Draft[]> {
    // What follows from a result is planned by a clinician, who holds the visit until then (CV3).
    if (!this.#parts.mayPlan()) return [];
    const record = resultRecordOf(visit.record);
    const { fresh, moved } = await this.changes(({ visits, results }) => {
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

  /** The result of a visit with these fields. */
  async result(visit: RecordState, set: Record<string, Json>): Promise<Draft> {
    const record = resultRecordOf(visit.record);
    const [now] = await this.#parts.store.read({ kind: 'visit_result', record });
    const isNew = now === undefined || textOf(now, 'visit') === '';
    const base = isNew ? { case: this.#parts.caseRecord.caseRecord, visit: visit.record } : {};
    return draftOn(now ?? null, record, { ...base, ...set });
  }

  /** What was told of a bleed, beside what stands of it; who did not bleed has no day of it. */
  async bleed(visit: RecordState, told: Bleed): Promise<Draft> {
    const record = resultRecordOf(visit.record);
    const [now] = await this.#parts.store.read({ kind: 'visit_result', record });
    const known = structureOf(now, 'bled') ?? {};
    const isOther = told.answer !== undefined && told.answer !== 'yes';
    return this.result(visit, { bled: isOther ? { ...told } : { ...known, ...told } });
  }

  async #visitsNow(): Promise<RecordState[]> {
    const { store, caseRecord } = this.#parts;
    const patient = textOf(caseRecord.itself, 'patient');
    const visits = await store.read({ kind: 'visit', parent: patient });
    return visits.filter((visit) => textOf(visit, 'case') === caseRecord.caseRecord);
  }

  /** A visit that was undone shows no field, but is there: the draft has to be a new act on it. */
  async #afresh({ record, set = {} }: Draft): Promise<Draft> {
    const [now] = await this.#parts.store.read({ kind: 'visit', record });
    return plannedDraft(now ?? blankState(record), set, this.#parts.planning());
  }
}
