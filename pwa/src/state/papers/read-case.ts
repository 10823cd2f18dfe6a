/** Reads a case from the tablet's record as papers tell of it. Twin of `api/use_cases/show_case.py`. */
import { RuleFileError } from '../../clinical-rules/errors';
import type { RuleBook } from '../../clinical-rules/rule-book';
import { rowShape } from '../../clinical-rules/rule-file';
import { text as readText } from '../../clinical-rules/shapes';
import type { RecordState, RecordStore } from '../../ports';
import { firstStamp } from '../case-record.svelte';
import { findOutsideFacts } from '../case-use.svelte';
import { changedSince, digestOf, lastSignature, SIGNED_KINDS } from '../close-out';
import { shown as shownValue, textOf } from '../shown';
import { isZone } from '../wall-clock';
import { compare } from './case-given';
import { kindOf, ONE_ANSWER, type Parts, type ShownCase, type ShownRecord } from './shown-case';

export const LETTER_SETTINGS = 'letters/settings';
const UNDER_CASE = [...SIGNED_KINDS, 'sign_off', 'visit_result', 'picture'] as const;
const readSettingRow = rowShape({ item: readText, words: readText });

export interface UnitSettings {
  language: string;
  unit_name: string;
  unit_address: string;
  unit_phone: string;
}

/** Return what the unit set for its papers; "" for what it has not stated. */
export function readUnitSettings(book: RuleBook): UnitSettings {
  const found: Record<string, string> = {};
  try {
    for (const row of book.ruleFileOrListed(LETTER_SETTINGS, readSettingRow).rows) {
      found[row.item] = row.words;
    }
  } catch (error) {
    if (!(error instanceof RuleFileError)) throw error;
  }
  const { language = 'en', unit_name = '', unit_address = '', unit_phone = '' } = found;
  return { language, unit_name, unit_address, unit_phone };
}

interface Sources {
  store: Pick<RecordStore, 'read'>;
  book: RuleBook;
  /** Civil date of today. */
  today: string;
  /** Lines of the lay-out list of this case. */
  layOut?: readonly Parts[];
}

/** Return a case as it stands on this tablet; null where it does not, or was entered in error. */
export async function readShownCase(
  caseRecord: string,
  { store, book, today, layOut = [] }: Sources,
): Promise<ShownCase | null> {
  const [itself] = await store.read({ kind: 'case', record: caseRecord });
  if (itself === undefined || itself.isEnteredInError) return null;
  const patientRecord = textOf(itself, 'patient');
  const [patients, visits, staff, stock, sites, ...lists] = await Promise.all([
    patientRecord === '' ? [] : store.read({ kind: 'patient', record: patientRecord }),
    patientRecord === '' ? [] : store.read({ kind: 'visit', parent: patientRecord }),
    store.read({ kind: 'staff' }),
    store.read({ kind: 'stock_item' }),
    store.read({ kind: 'site' }),
    ...UNDER_CASE.map((kind) => store.read({ kind, parent: caseRecord })),
  ]);
  const under = lists.flat().sort(oldestFirst);
  const patient = standing(patients)[0];
  const settings = readUnitSettings(book);
  const ofUnit = standing(sites);
  const covered = under.filter(({ record }) =>
    SIGNED_KINDS.some((kind) => record.startsWith(`${kind}/`)),
  );
  const signature = lastSignature(under.filter(({ record }) => record.startsWith('sign_off/')));
  return {
    on: today,
    zone: ofUnit.map((site) => textOf(site, 'time_zone')).find(isZone) ?? 'UTC',
    itself: showRecord(itself),
    patient: patient === undefined ? null : showRecord(patient),
    records: standing(under).map(showRecord),
    visits: byName(visits.filter((visit) => textOf(visit, 'case') === caseRecord)),
    staff: byName(staff),
    stock: byName(stock),
    unit_name:
      settings.unit_name || (ofUnit.map((site) => textOf(site, 'name')).find(Boolean) ?? ''),
    unit_address: settings.unit_address,
    unit_phone: settings.unit_phone,
    outside: findOutsideFacts(itself, patient, book, today),
    is_changed: signature !== null && shownValue(signature, 'digest') !== digestOf(itself, covered),
    changed: changedSince(signature, itself, covered),
    lay_out: [...layOut],
    is_training: book.isTraining,
  };
}

/** Return what one reads of a record; of two answers to one question neither is read. */
export function showRecord(state: RecordState): ShownRecord {
  const fields = Object.entries(state.fields).sort(([one], [other]) => compare(one, other));
  const keepsOne = ONE_ANSWER.includes(kindOf(state));
  const isOpen = ({ isConflict, values }: RecordState['fields'][string]) =>
    isConflict || (keepsOne && values.length > 1);
  const settled = fields.filter(([, field]) => !isOpen(field));
  let latest = { stamp: '', by: '' };
  for (const [, field] of fields) {
    for (const { stamp, by } of field.values) {
      if (stamp > latest.stamp || (stamp === latest.stamp && by > latest.by))
        latest = { stamp, by };
    }
  }
  return {
    record: state.record,
    shows: Object.fromEntries(
      settled.map(([name, field]) => [name, field.values.at(-1)?.value ?? null]),
    ),
    held: Object.fromEntries(
      settled
        .filter(([, field]) => field.values.length > 1)
        .map(([name, field]) => [name, field.values.map(({ value }) => value)]),
    ),
    conflicts: fields.filter(([, field]) => isOpen(field)).map(([name]) => name),
    by: latest.by,
  };
}

function standing(states: readonly RecordState[]): RecordState[] {
  return states.filter((one) => !one.isEnteredInError);
}

function byName(states: readonly RecordState[]): ShownRecord[] {
  return standing(states)
    .sort((one, other) => compare(one.record, other.record))
    .map(showRecord);
}

function oldestFirst(one: RecordState, other: RecordState): number {
  return compare(firstStamp(one), firstStamp(other)) || compare(one.record, other.record);
}
