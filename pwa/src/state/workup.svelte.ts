/** One case's workup: its record, the acts on it, and what the rules say to it. */
import { answerAntithromboticHolds } from '../clinical-rules/antithrombotic-holds';
import { answerLiverScores } from '../clinical-rules/liver-scores';
import type { RuleBook } from '../clinical-rules/rule-book';
import type { Json } from '../ports';
import { AnswerActs } from './answer-acts.svelte';
import type { App } from './app';
import { calculate, partOf } from './calculation';
import { CaseRecord } from './case-record.svelte';
import { LiveRecords } from './live-records.svelte';
import { shown, textOf } from './shown';
import { askHolds, askLiverScores, openParts } from './workup';
import { alsoBy, type LabOrigin, type LabShown, latestLabs, placeLab } from './workup-labs';

const HOLDS = 'antithrombotic_holds';

/** A case on screen and the way answers about it are saved; Workup and Plan share it. */
export class CaseWork {
  readonly record: CaseRecord;
  readonly acts: AnswerActs;
  readonly staff: LiveRecords;

  constructor(app: App, caseId: string) {
    this.record = new CaseRecord(app.store, caseId);
    this.acts = new AnswerActs(app);
    this.staff = new LiveRecords(app.store, { kind: 'staff' });
  }

  /** Save one field of the case itself. */
  answer(
    field: string,
    control: string,
    words: string,
    compose: (now: Json | undefined) => Json | undefined,
  ): void {
    const { caseRecord, itself } = this.record;
    void this.acts.give({
      record: caseRecord,
      onScreen: itself,
      field,
      words,
      control: `${field} ${control}`,
      compose,
    });
  }

  /** Save one part of a structured field, its other parts as they stand. */
  answerPart(field: string, part: string, content: Json, words: string): void {
    this.answer(field, `${part} ${JSON.stringify(content)}`, words, (now) => ({
      ...(partOf(now) as Record<string, Json> | null),
      [part]: content,
    }));
  }

  /** People of one role who work here now. */
  people(role?: string): { id: string; name: string }[] {
    return this.staff.list
      .filter((person) => shown(person, 'active') !== false)
      .filter((person) => role === undefined || textOf(person, 'role') === role)
      .map((person) => ({ id: person.record, name: textOf(person, 'name') || person.record }));
  }

  /** Return a person's name, or the text itself where it is no staff id. */
  nameOf(person: string): string {
    return this.people().find(({ id }) => id === person)?.name ?? person;
  }

  dispose(): void {
    this.record.dispose();
    this.staff.dispose();
  }
}

export class Workup extends CaseWork {
  readonly #ruleBook: RuleBook;
  readonly #today: string;
  /** What was pressed once for the numbers of this sitting; nothing is chosen beforehand. */
  batchOrigin = $state<LabOrigin | null>(null);
  batchTakenOn = $state('');

  constructor(app: App, caseId: string) {
    super(app, caseId);
    this.#ruleBook = app.ruleBook;
    this.#today = app.clock.today();
  }

  /** No score and no hold while the case is recorded only (HAZ-13). */
  readonly isRecordOnly = $derived.by(() => this.#ruleBook.isRecordOnly);
  readonly labs = $derived.by(() =>
    latestLabs(this.record.all('lab_result'), alsoBy(this.#ruleBook)),
  );
  readonly scoresQuestion = $derived.by(() =>
    askLiverScores(this.record.itself, this.record.patient, this.labs, this.#today),
  );
  readonly scores = $derived.by(() =>
    calculate(() => answerLiverScores(this.scoresQuestion.request, this.#ruleBook)),
  );
  readonly clearance = $derived.by(() => {
    const part = partOf(this.scores.answer, 'creatinine_clearance');
    return typeof part?.ml_per_min === 'number' ? part.ml_per_min : null;
  });
  readonly holdsQuestion = $derived.by(() =>
    askHolds(this.record.itself, this.unitProfile, this.clearance),
  );
  readonly holds = $derived.by(() => {
    const question = this.holdsQuestion;
    if (question.kind !== 'ask') return null;
    return calculate(() => answerAntithromboticHolds(question.request, this.#ruleBook));
  });
  readonly open = $derived.by(() => openParts(this.record.itself, this.labs));

  /** Profiles in force, without their folder. */
  get profiles(): string[] {
    return this.#ruleBook.names(HOLDS).map((name) => name.slice(HOLDS.length + 1));
  }

  get unitProfile(): string {
    return this.#ruleBook.defaultName(HOLDS).slice(HOLDS.length + 1);
  }

  enterLab(lab: LabShown, milli: number, words: string): void {
    const { caseRecord } = this.record;
    const entry = placeLab(caseRecord, this.record.all('lab_result'), lab, milli, {
      origin: this.batchOrigin,
      takenOn: this.batchTakenOn,
    });
    void this.acts.give({
      record: entry.record,
      onScreen: entry.onScreen,
      field: 'result',
      words,
      control: `${entry.record} ${milli}`,
      compose: () => entry.result,
      withNew: { case: caseRecord, analyte: lab.kind.analyte },
    });
  }

  /** Take an origin for the numbers of this sitting, also for those entered without one. */
  chooseOrigin(origin: LabOrigin): void {
    this.batchOrigin = origin;
    this.#complete('origin', origin, (lab) => lab.origin === null);
  }

  /** Take a day for the numbers of this sitting, also for those entered without one. */
  chooseTakenOn(on: string): void {
    this.batchTakenOn = on;
    this.#complete('taken_on', on, (lab) => lab.takenOn === '');
  }

  #complete(part: string, content: string, lacks: (lab: LabShown) => boolean): void {
    for (const lab of this.labs) {
      const { state } = lab;
      if (state === null || lab.milli === null || lab.isConflict || !lacks(lab)) continue;
      void this.acts.give({
        record: state.record,
        onScreen: state,
        field: 'result',
        words: `${lab.kind.analyte}: ${content}`,
        control: `${state.record} ${part} ${content}`,
        compose: (now) => ({ ...(partOf(now) as Record<string, Json>), [part]: content }),
      });
    }
  }
}
