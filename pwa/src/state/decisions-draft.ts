/**
 * Drafts on what is on screen: the draft id follows from the record, from what is set and from
 * what was seen, so that a second press before the screen has redrawn is the same act (HAZ-14).
 */
import type { Role } from '../clinical-rules/visit-course-table';
import type { Draft, HistoryEntry, Json, UnitAlarm } from '../ports';
import { SEEN_TO, seenToRecord } from '../record-catalogue/alarms';
import { decisionRecord, type Pair } from '../record-catalogue/double-entries';
import { overOf, type RecordState } from './shown';

interface More {
  because?: string;
  /** What was on screen when the form opened, where that is earlier than now. */
  over?: Record<string, readonly string[]>;
}

/**
 * Return the draft that sets fields of a record as it is shown now.
 *
 * @param state - the record as shown; null when it does not exist yet
 * @param set - every field is written over what is shown of it, so that nobody's other value is
 *   dropped unseen
 */
export function draftOn(
  state: RecordState | null | undefined,
  record: string,
  set: Record<string, Json>,
  { because = '', over = overOf(state, ...Object.keys(set)) }: More = {},
): Draft {
  // What was struck counts too: after an undo the same press is a new act.
  const seen = [over, state?.struck ?? []];
  return {
    draftId: JSON.stringify([record, set, seen, because]),
    record,
    set,
    over,
    ...(because === '' ? {} : { because }),
  };
}

/** Return the draft that marks operations as entered in error. */
export function undoDraft(record: string, references: readonly string[], because = ''): Draft {
  return {
    draftId: JSON.stringify(['undo', record, references]),
    record,
    retract: references,
    ...(because === '' ? {} : { because }),
  };
}

/**
 * Say whether somebody may choose an answer: that a visit ended, and on which day, is a clinician's
 * to choose alone, also where a clinician gave one of the two (HAZ-45, CV13).
 *
 * @param role - as whom the person who taps acts, of `actingRoleOf`
 */
export function mayChoose(kind: string, field: string, value: Json, role: Role): boolean {
  if (kind !== 'visit' || role === 'clinician') return true;
  return field !== 'ended_on' && (field !== 'status' || value !== 'ended');
}

/**
 * Return the draft by which a person settles a conflict (CF2). A visit that goes on keeps no reason
 * of the end that was not chosen (CV6).
 *
 * @param references - all references of all values of the field: none may be left standing
 * @param state - the record as shown
 */
export function settleDraft(
  record: string,
  field: string,
  chosen: Json,
  references: readonly string[],
  because: string,
  state?: RecordState | null,
): Draft {
  const goesOn = record.startsWith('visit/') && field === 'status' && chosen !== 'ended';
  const reasons = goesOn ? overOf(state, 'ended_because') : {};
  const cleared = reasons.ended_because === undefined ? {} : { ended_because: null };
  return {
    draftId: JSON.stringify(['settle', record, field, chosen, references]),
    record,
    set: { [field]: chosen, ...cleared },
    over: { [field]: references, ...reasons },
    because,
  };
}

/** What a person says of two records that may be one thing. */
export interface DoubleVerdict {
  records: Pair;
  caseRecord: string;
  /** The decision as it stands, null while there is none. */
  decided: RecordState | null;
  because: string;
}

/** Return the draft by which a person says: two of them (DE5). */
export function differentDraft(verdict: DoubleVerdict): Draft {
  return decisionDraft(verdict, 'different');
}

/**
 * Return the drafts by which a person says: the same, written twice. One record stays, the other
 * is struck with everything that stands in it (DE6).
 *
 * @param struck - history of the record to strike
 */
export function sameDrafts(
  verdict: DoubleVerdict,
  record: string,
  struck: readonly HistoryEntry[],
): Draft[] {
  return [decisionDraft(verdict, 'same'), ...strikeAllDrafts(record, struck, verdict.because)];
}

/** Return the draft that strikes a record with everything that stands in it; none where nothing does. */
export function strikeAllDrafts(
  record: string,
  history: readonly HistoryEntry[],
  because: string,
): Draft[] {
  // Not the heads alone: what an edit had replaced would stand again without the edit (MG9).
  const standing = history.filter((entry) => !entry.isStruck && Object.keys(entry.set).length > 0);
  const references = standing.map((entry) => entry.reference);
  return references.length > 0 ? [strikeDraft(record, references, history, because)] : [];
}

/**
 * Return the draft that puts a struck record back, by taking back what struck it (DE7); null
 * where nothing did.
 */
export function putBackDraft(
  record: string,
  history: readonly HistoryEntry[],
  because: string,
): Draft | null {
  const strikes = history.filter((entry) => !entry.isStruck && entry.retract.length > 0);
  const references = strikes.map((entry) => entry.reference);
  return references.length > 0 ? strikeDraft(record, references, history, because) : null;
}

/** Struck, put back and struck again are three acts: each has seen more of the history. */
function strikeDraft(
  record: string,
  references: readonly string[],
  history: readonly HistoryEntry[],
  because: string,
): Draft {
  const draft = undoDraft(record, references, because);
  const seen = history.map((entry) => entry.reference);
  return { ...draft, draftId: JSON.stringify([draft.draftId, seen]) };
}

function decisionDraft(verdict: DoubleVerdict, said: 'same' | 'different'): Draft {
  const { records, caseRecord, decided, because } = verdict;
  return draftOn(
    decided,
    decisionRecord(records),
    { case: caseRecord, about: [...records], verdict: said, because },
    { because },
  );
}

/** An entry is at most 65,536 bytes (OP7), and a name takes 73 of them. */
const MOST_ALARMS = 500;

/**
 * Return the drafts by which a person says that alarms were seen to (CF5): one, where they fit.
 *
 * @param decisions - the decisions on this device
 */
export function seenToDrafts(
  alarms: readonly UnitAlarm[],
  decisions: readonly RecordState[],
  because: string,
): Draft[] {
  const names = [...new Set(alarms.map(({ name }) => name))].sort();
  const drafts: Draft[] = [];
  for (let from = 0; from < names.length; from += MOST_ALARMS) {
    const about = names.slice(from, from + MOST_ALARMS);
    const record = seenToRecord(about);
    const before = decisions.find((one) => one.record === record);
    drafts.push(draftOn(before, record, { about, verdict: SEEN_TO, because }, { because }));
  }
  return drafts;
}
