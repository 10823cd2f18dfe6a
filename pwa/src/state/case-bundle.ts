/**
 * One case as a FHIR R4B bundle, made on this tablet from what it holds: no network is needed.
 *
 * Twin of `api/use_cases/export_case_bundle.py`. A struck visit names no case here and is left out;
 * the unit's own export has it.
 */
import { isCivilDate } from '../clinical-rules/civil-date';
import { RuleFileError } from '../clinical-rules/errors';
import { type CaseBundleRequest, makeCaseBundle } from '../clinical-rules/fhir-case';
import type { TellableRecord } from '../clinical-rules/fhir-parts';
import type { VisitSlot } from '../clinical-rules/fhir-visits';
import type { RuleBook } from '../clinical-rules/rule-book';
import { rowShape } from '../clinical-rules/rule-file';
import { text } from '../clinical-rules/shapes';
import type { Json, RecordState, RecordStore } from '../ports';
import { packagedCatalogue } from '../record-catalogue/packaged-catalogue';
import { readStamp } from '../sync/clock';
import { structureOf, textOf } from './shown';
import { isZone, wallMs } from './wall-clock';

const UNDER_CASE = [
  ...['lab_result', 'target', 'coil_placed', 'adhesive_injected', 'puncture', 'flush'],
  ...['complication', 'sign_off', 'package_opened'],
] as const;
const readSettingRow = rowShape({ item: text, words: text });
const MINUTE_MS = 60_000;
const DAY_MS = 86_400_000;
const MINUTES = 30;

interface Sources {
  store: Pick<RecordStore, 'read'>;
  book: RuleBook;
  nowMs: number;
}

/** Return a case as FHIR R4B bundle, JSON text; null where this tablet does not hold the case. */
export async function writeCaseBundle(
  caseRecord: string,
  { store, book, nowMs }: Sources,
): Promise<string | null> {
  const request = await tellCase(caseRecord, { store, book, nowMs });
  return request === null ? null : JSON.stringify(makeCaseBundle(request), null, 1);
}

/** Return what `makeCaseBundle` takes, as the record stands on this tablet. */
export async function tellCase(
  caseRecord: string,
  { store, book, nowMs }: Sources,
): Promise<CaseBundleRequest | null> {
  const [itself] = await store.read({ kind: 'case', record: caseRecord });
  if (itself === undefined) return null;
  const patientRecord = textOf(itself, 'patient');
  const [patients, ofPatient, sessions, staff, sites, ...lists] = await Promise.all([
    patientRecord === '' ? [] : store.read({ kind: 'patient', record: patientRecord }),
    patientRecord === '' ? [] : store.read({ kind: 'visit', parent: patientRecord }),
    store.read({ kind: 'clinic_session' }),
    store.read({ kind: 'staff' }),
    store.read({ kind: 'site' }),
    ...UNDER_CASE.map((kind) => store.read({ kind, parent: caseRecord })),
  ]);
  const patient = patients.find((one) => !one.isEnteredInError);
  const zone = sites.map((site) => textOf(site, 'time_zone')).find(isZone) ?? deviceZone();
  const held = new Map(sessions.map((one) => [one.record, one]));
  const minutes = readMinutes(book);
  const visits = ofPatient.filter((visit) => textOf(visit, 'case') === caseRecord);
  return {
    made_ms: nowMs,
    case: tell(itself),
    patient: patient === undefined ? null : tell(patient),
    records: lists.flat().map(tell),
    visits: visits.map((one) => ({ ...tell(one), slot: slotOf(one, held, zone, minutes) })),
    staff: staff.map(tell),
  };
}

function tell(state: RecordState): TellableRecord {
  const policies = packagedCatalogue().policiesOf(state.record.split('/', 1)[0] ?? '');
  const values: Record<string, Json[]> = {};
  let latest = { stamp: '', by: '' };
  for (const [name, field] of Object.entries(state.fields)) {
    const merge = Object.hasOwn(policies, name) ? policies[name]?.merge : undefined;
    const isChosen = (merge === 'furthest' || merge === 'latest') && !field.isConflict;
    values[name] = (isChosen ? field.values.slice(-1) : field.values)
      .map(({ value }) => value)
      .filter((value) => value !== null);
    for (const { stamp, by } of field.values) {
      if (stamp > latest.stamp || (stamp === latest.stamp && by > latest.by))
        latest = { stamp, by };
    }
  }
  return {
    record: state.record,
    values,
    is_struck: state.isEnteredInError,
    by: latest.by,
    at_ms: readStamp(latest.stamp)?.wallMs ?? 0,
  };
}

/** Return when and where a visit is booked; the whole day where no time of day is known. */
function slotOf(
  visit: RecordState,
  sessions: ReadonlyMap<string, RecordState>,
  zone: string,
  minutes: number,
): VisitSlot | null {
  const { on = '', time = '', session = '' } = structureOf(visit, 'booking') ?? {};
  if (typeof on !== 'string' || !isCivilDate(on)) return null;
  const held = sessions.get(String(session));
  const { starts = '', time_zone: named = '' } = structureOf(held, 'held') ?? {};
  const there = typeof named === 'string' && isZone(named) ? named : zone;
  const place = textOf(held, 'place');
  const at = [time, starts].find(isTime);
  if (at !== undefined) {
    const startsMs = wallMs(on, at, there);
    return { starts_ms: startsMs, ends_ms: startsMs + minutes * MINUTE_MS, place };
  }
  const next = new Date(Date.parse(`${on}T00:00:00Z`) + DAY_MS).toISOString().slice(0, 10);
  return {
    starts_ms: wallMs(on, '00:00', there),
    ends_ms: wallMs(next, '00:00', there),
    place,
  };
}

function isTime(content: Json): content is string {
  return typeof content === 'string' && /^([01][0-9]|2[0-3]):[0-5][0-9]$/.test(content);
}

function readMinutes(book: RuleBook): number {
  try {
    const { rows } = book.ruleFileOrListed('letters/settings', readSettingRow);
    const minutes = Number(rows.find(({ item }) => item === 'calendar_minutes')?.words);
    return Number.isSafeInteger(minutes) && minutes > 0 ? minutes : MINUTES;
  } catch (error) {
    if (!(error instanceof RuleFileError)) throw error;
    return MINUTES;
  }
}

function deviceZone(): string {
  return new Intl.DateTimeFormat('en').resolvedOptions().timeZone;
}
