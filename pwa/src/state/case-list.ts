/** Rows of the Cases screen, search and similar names. Pure. */
import type { Draft, Reached, RecordState } from '../ports';
import { patientLine } from '../text/patient';
import type { CasePlace } from './place.svelte';
import { idOf, isInConflict, shown, textOf } from './shown';

export type CaseStage = 'workup' | 'planned' | 'in-procedure' | 'closing' | 'closed';

export interface CaseRow {
  caseId: string;
  patientRecord: string;
  patient: string;
  stage: CaseStage;
  /** Catalogue value, "" when not entered, "?" while two answers stand. */
  indication: string;
  procedureOn: string;
  openedAt: string;
  isToday: boolean;
  /** Up to where everything of the case and its patient has got. */
  reached: Reached;
  hasConflict: boolean;
  isIdentityOpen: boolean;
  /** Lines of other patients in the list whose family name looks alike (SOFT-11). */
  similarTo: string[];
  searchText: string;
}

export interface CaseListInputs {
  cases: readonly RecordState[];
  patients: readonly RecordState[];
  /** Records with operations that the unit does not hold. */
  unsent: ReadonlySet<string>;
  /** Records that the hub holds, as the unit says. */
  atHub?: ReadonlySet<string>;
  /** Case and patient records with an open conflict in them or below them. */
  inConflict: ReadonlySet<string>;
  hasJoined: boolean;
  today: string;
}

const STAGES: readonly CaseStage[] = ['workup', 'planned', 'in-procedure', 'closing', 'closed'];

/** Return one row a case that stands: live ones first, then today's, then by date. */
export function listCases(inputs: CaseListInputs): CaseRow[] {
  const patients = new Map(inputs.patients.map((patient) => [patient.record, patient]));
  const rows = inputs.cases
    .filter(isListed)
    .map((state) => rowOf(state, patients.get(textOf(state, 'patient')), inputs));
  const open = rows.filter((row) => row.stage !== 'closed');
  for (const row of open) row.similarTo = similarTo(patients.get(row.patientRecord), inputs);
  return rows.sort(byUrgency);
}

/**
 * Return other patients with an open case whose family name looks alike, each in one line, for
 * wherever this one is picked or begun (SOFT-11).
 */
export function similarTo(
  patient: RecordState | null | undefined,
  { cases, patients }: Pick<CaseListInputs, 'cases' | 'patients'>,
): string[] {
  if (!patient) return [];
  const open = new Set(
    cases
      .filter((state) => isListed(state) && shown(state, 'stage') !== 'closed')
      .map((state) => textOf(state, 'patient')),
  );
  return patients
    .filter(({ record }) => record !== patient.record && open.has(record))
    .filter((other) => areNamesSimilar(patient, other))
    .map(patientLine);
}

function isListed(state: RecordState): boolean {
  return !state.isEnteredInError && Object.keys(state.fields).length > 0;
}

/** Return the rows that hold every word searched for; all rows for an empty search. */
export function searchCases(rows: readonly CaseRow[], search: string): CaseRow[] {
  const words = searchWords(search);
  return rows.filter((row) => words.every((word) => row.searchText.includes(word)));
}

/** Return the patients that hold every word searched for; none for an empty search. */
export function searchPatients(patients: readonly RecordState[], search: string): RecordState[] {
  const words = searchWords(search);
  if (words.length === 0) return [];
  return patients.filter((patient) => {
    const text = searchTextOf(patient);
    return !patient.isEnteredInError && words.every((word) => text.includes(word));
  });
}

/** Return listed patients who may be the one being added: same local number, or name and birth. */
export function findSamePatients(
  patients: readonly RecordState[],
  added: { familyName: string; bornOn: string; localId: string },
): RecordState[] {
  const [family, localId] = [plainText(added.familyName), plainText(added.localId)];
  return patients.filter(
    (patient) =>
      (localId !== '' && plainText(textOf(patient, 'local_id')) === localId) ||
      (added.bornOn !== '' &&
        textOf(patient, 'born_on') === added.bornOn &&
        isAlike(plainText(textOf(patient, 'family_name')), family)),
  );
}

/** Say whether two patients' family names are the same or one letter apart. */
export function areNamesSimilar(one: RecordState, other: RecordState | undefined): boolean {
  if (other === undefined) return false;
  return isAlike(plainText(textOf(one, 'family_name')), plainText(textOf(other, 'family_name')));
}

/**
 * Return up to where records have got, all of them: the one that lags decides.
 *
 * @param records - a case and its patient
 */
export function reachedBy(
  records: readonly string[],
  told: Pick<CaseListInputs, 'unsent' | 'atHub' | 'hasJoined'>,
): Reached {
  if (!told.hasJoined || records.some((record) => told.unsent.has(record))) return 'tablet';
  const { atHub } = told;
  return atHub !== undefined && records.every((record) => atHub.has(record)) ? 'hub' : 'unit';
}

/** Return where a case opens: the part of the work its stage is at. */
export function placeOfStage(stage: CaseStage): CasePlace {
  const places: Record<CaseStage, CasePlace> = {
    workup: 'workup',
    planned: 'plan',
    'in-procedure': 'procedure',
    closing: 'close-out',
    closed: 'surveillance',
  };
  return places[stage];
}

export interface NewCaseIds {
  patientId: string;
  caseId: string;
  patientDraftId: string;
  caseDraftId: string;
}

/** Return the drafts of an emergency start: an unknown patient and an acute bleed (HAZ-28). */
export function emergencyDrafts(ids: NewCaseIds, nowIso: string): Draft[] {
  return [
    {
      draftId: ids.patientDraftId,
      record: `patient/${ids.patientId}`,
      set: {
        family_name: `Emergency ${nowIso.slice(11, 16)}`,
        given_name: 'Unknown',
        identity: 'to-be-confirmed',
      },
    },
    {
      ...caseDraft(ids, `patient/${ids.patientId}`, nowIso),
      set: {
        patient: `patient/${ids.patientId}`,
        stage: 'workup',
        opened_at: nowIso,
        indication: 'acute-bleed',
        procedure_on: nowIso.slice(0, 10),
      },
    },
  ];
}

/** Return the draft of a new case of a patient; nothing clinical is filled in (HAZ-09). */
export function caseDraft(ids: NewCaseIds, patientRecord: string, nowIso: string): Draft {
  return {
    draftId: ids.caseDraftId,
    record: `case/${ids.caseId}`,
    set: { patient: patientRecord, stage: 'workup', opened_at: nowIso },
  };
}

export interface AddedPatient {
  familyName: string;
  givenName: string;
  bornOn: string;
  sex: 'female' | 'male';
  localId: string;
}

/** Return the draft of a patient added by hand, identity confirmed by the person who adds. */
export function patientDraft(ids: NewCaseIds, added: AddedPatient): Draft {
  return {
    draftId: ids.patientDraftId,
    record: `patient/${ids.patientId}`,
    set: {
      family_name: added.familyName.trim(),
      given_name: added.givenName.trim(),
      born_on: added.bornOn,
      sex: added.sex,
      local_id: added.localId.trim(),
      identity: 'confirmed',
    },
  };
}

/** Letters that no decomposition splits into a plain one and a mark. */
const FOLDED: Readonly<Record<string, string>> = {
  æ: 'ae',
  đ: 'd',
  ð: 'd',
  ı: 'i',
  ł: 'l',
  ø: 'o',
  œ: 'oe',
  ß: 'ss',
  þ: 'th',
};

/** Return text in lower case, without accents and marks, words one space apart. */
export function plainText(text: string): string {
  return text
    .normalize('NFD')
    .replace(/\p{M}/gu, '')
    .toLowerCase()
    .replace(/[æđðıłøœßþ]/g, (letter) => FOLDED[letter] ?? letter)
    .replace(/[^\p{L}\p{N}]+/gu, ' ')
    .trim();
}

function rowOf(
  state: RecordState,
  patient: RecordState | undefined,
  inputs: CaseListInputs,
): CaseRow {
  const patientRecord = textOf(state, 'patient');
  const stage = STAGES.find((known) => known === shown(state, 'stage')) ?? 'workup';
  const procedureOn = textOf(state, 'procedure_on');
  const watched = [state.record, patientRecord];
  return {
    caseId: idOf(state.record),
    patientRecord,
    patient: patientLine(patient),
    stage,
    indication: isInConflict(state, 'indication') ? '?' : textOf(state, 'indication'),
    procedureOn,
    openedAt: textOf(state, 'opened_at'),
    isToday: procedureOn === inputs.today,
    reached: reachedBy(watched, inputs),
    hasConflict: watched.some((record) => inputs.inConflict.has(record)),
    isIdentityOpen: shown(patient, 'identity') === 'to-be-confirmed',
    similarTo: [],
    searchText: searchTextOf(patient),
  };
}

/** Words between spaces; one with marks in it, such as `100-1`, stays one. */
function searchWords(search: string): string[] {
  return search.split(/\s+/).map(plainText).filter(Boolean);
}

/** Names, date of birth and local number, the number also without its marks. */
function searchTextOf(patient: RecordState | undefined): string {
  const fields = ['family_name', 'given_name', 'born_on', 'local_id'];
  const texts = fields.map((field) => plainText(textOf(patient, field)));
  return [...texts, plainText(textOf(patient, 'local_id')).replaceAll(' ', '')].join(' ');
}

function byUrgency(one: CaseRow, other: CaseRow): number {
  const rank = (row: CaseRow) => {
    if (row.stage === 'closed') return 4;
    if (row.stage === 'in-procedure') return 0;
    return row.isToday ? 1 : row.procedureOn !== '' ? 2 : 3;
  };
  const key = (row: CaseRow) => (rank(row) === 2 ? row.procedureOn : row.openedAt);
  const byRank = rank(one) - rank(other);
  if (byRank !== 0) return byRank;
  if (key(one) === key(other)) return one.caseId < other.caseId ? -1 : 1;
  // Dates to come count up; among the rest the latest opened stands first.
  const isEarlier = key(one) < key(other);
  return (rank(one) === 2 ? isEarlier : !isEarlier) ? -1 : 1;
}

function isAlike(one: string, other: string): boolean {
  if (one === '' || other === '') return false;
  if (one === other) return true;
  return one.length >= 4 && other.length >= 4 && isOneLetterApart(one, other);
}

/** One letter put in, left out, changed, or two neighbours swapped. */
function isOneLetterApart(one: string, other: string): boolean {
  const [short, long] = one.length <= other.length ? [one, other] : [other, one];
  if (long.length - short.length > 1) return false;
  let from = 0;
  while (from < short.length && short[from] === long[from]) from += 1;
  const rest = (text: string, skip: number) => text.slice(from + skip);
  if (short.length < long.length) return rest(short, 0) === rest(long, 1);
  const isSwapped = short[from] === long[from + 1] && short[from + 1] === long[from];
  return rest(short, 1) === rest(long, 1) || (isSwapped && rest(short, 2) === rest(long, 2));
}
