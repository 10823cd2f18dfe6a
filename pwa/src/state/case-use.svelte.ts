/**
 * Whether the case on screen lies within the stated use, or is recorded only (HAZ-13).
 *
 * One for the whole app: every place of a case takes the rule book from here, so that no screen
 * can compute for a case that is recorded only.
 */
import { isCivilDate } from '../clinical-rules/civil-date';
import { ClinicalRuleError } from '../clinical-rules/errors';
import { answerIntendedUse, type UseFact } from '../clinical-rules/intended-use';
import type { RuleBook } from '../clinical-rules/rule-book';
import type { Json, RecordState, RecordStore } from '../ports';
import { shown, valuesOf } from './shown';

/** What keeps a case from numbers: facts outside the stated use, or a rule file that cannot be read. */
export type OutsideFact = UseFact | 'rule_file';

/**
 * Return which facts of a case lie outside the stated use; none is within.
 *
 * @param today - counts where the case has no day of the procedure yet
 */
export function findOutsideFacts(
  itself: RecordState | null | undefined,
  patient: RecordState | null | undefined,
  ruleBook: RuleBook,
  today: string,
): OutsideFact[] {
  const agentOf = (held: Json) =>
    typeof held === 'object' && held !== null && !Array.isArray(held)
      ? (held as { readonly [part: string]: Json }).agent
      : undefined;
  const words = (state: RecordState | null | undefined, field: string) =>
    valuesOf(state, field).flatMap(({ value }) => {
      const word = field === 'adhesive' ? agentOf(value) : value;
      return typeof word === 'string' ? [word] : [];
    });
  const planned = shown(itself, 'procedure_on');
  const request = {
    on: typeof planned === 'string' && isCivilDate(planned) ? planned : today,
    varix_class: words(itself, 'varix_class'),
    adhesive: words(itself, 'adhesive'),
    born_on: words(patient, 'born_on').filter(isCivilDate),
  };
  try {
    return answerIntendedUse(request, ruleBook).outside.map(({ fact }) => fact);
  } catch (error) {
    // What cannot be judged gets no number.
    if (error instanceof ClinicalRuleError) return ['rule_file'];
    throw error;
  }
}

/** The parts of the app that the use of a case is read from. */
interface Parts {
  store: RecordStore;
  unitRules: { readonly current: RuleBook };
  today: () => string;
}

export class CaseUse {
  readonly #parts: Parts;
  #caseId: string | null = null;
  #read = $state.raw<{
    caseId: string;
    itself: RecordState | undefined;
    patient: RecordState | undefined;
  } | null>(null);

  constructor(parts: Parts) {
    this.#parts = parts;
    parts.store.onRecords((records) => {
      if (records.some((record) => /^(case|patient)\//.test(record))) void this.#look();
    });
  }

  /** What keeps the followed case from numbers, in the order class, adhesive, age. */
  readonly outside: readonly OutsideFact[] = $derived.by(() => {
    const { unitRules, today } = this.#parts;
    if (this.#read === null) return [];
    const { itself, patient } = this.#read;
    return findOutsideFacts(itself, patient, unitRules.current, today());
  });
  readonly isRecordOnly = $derived.by(() => this.outside.length > 0);
  /** The rule book in force, for the place on screen. */
  readonly ruleBook = $derived.by(() =>
    this.#parts.unitRules.current.forCase(() => this.isRecordOnly),
  );

  /** Follow the case of a place; null where the place has none. */
  follow(caseId: string | null): void {
    if (caseId === this.#caseId) return;
    this.#caseId = caseId;
    this.#read = null;
    void this.#look();
  }

  /** True once it is known how this case stands: before that nothing of it is drawn. */
  isKnown(caseId: string): boolean {
    return this.#read?.caseId === caseId;
  }

  async #look(): Promise<void> {
    const caseId = this.#caseId;
    if (caseId === null) return;
    const { store } = this.#parts;
    const [itself] = await store.read({ kind: 'case', record: `case/${caseId}` });
    const record = shown(itself, 'patient');
    const [patient] =
      typeof record === 'string' ? await store.read({ kind: 'patient', record }) : [];
    if (this.#caseId === caseId) this.#read = { caseId, itself, patient };
  }
}
