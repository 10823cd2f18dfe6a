/**
 * One case as a FHIR R4B bundle: who, what was done, what was left inside, what was measured. Pure.
 *
 * Names and codes are those of the standard (HL7 FHIR 4.3.0, a collection); words without a code
 * there are those of the record catalogue. What was struck is entered-in-error under its old id;
 * of two answers none is chosen, a note tells both. Twin of `api/documents/fhir_case.py`.
 */
import { hexToBytes } from '@noble/hashes/utils.js';
import { DEVICE_KINDS, writeDevice } from './fhir-devices';
import { OBSERVATION_KINDS, writeObservation } from './fhir-observations';
import {
  absentExtension,
  clean,
  concept,
  entry,
  instantMs,
  notes,
  type Resource,
  refer,
  type TellableRecord,
  Told,
  writeBase64,
  writeInstant,
} from './fhir-parts';
import { type VisitSlot, writeVisit } from './fhir-visits';
import { opaqueId } from './opaque-id';

/** What is told of a case. */
export interface CaseBundleRequest {
  made_ms: number;
  case: TellableRecord;
  patient: TellableRecord | null;
  records: readonly TellableRecord[];
  visits: readonly (TellableRecord & { slot: VisitSlot | null })[];
  staff: readonly TellableRecord[];
}

const LOCAL_NUMBER = 'urn:crura:local-patient-number';
const STAFF = 'urn:crura:staff';
const STATUS: ReadonlyMap<string, string> = new Map([
  ['workup', 'preparation'],
  ['planned', 'preparation'],
  ['closed', 'completed'],
]);
const ACTS = ['puncture', 'coil_placed', 'adhesive_injected', 'flush'];
const PACKAGE = 'package_opened';
const OF_CASE = ['patient', 'procedure_on', 'indication', 'varix_class'];
const SIGNATURE = { system: 'urn:iso-astm:E1762-95:2013', code: '1.2.840.10065.1.12.1.1' };
const DIGEST = /^[0-9a-f]{64}$/;

type Named = [record: string, resource: Resource];

/**
 * Return a case as Bundle. Resources stand by kind, then by the name of their record: the same
 * record gives the same bundle on every device.
 */
export function makeCaseBundle(request: unknown): Resource {
  const asked = request as CaseBundleRequest;
  const itself = new Told(asked.case);
  const patient = asked.patient === null ? null : new Told(asked.patient);
  const under = inOrder(asked.records).map((one) => new Told(one));
  // A package is no resource: it lends its label to what came out of it.
  const packages = under.filter(({ kind }) => kind === PACKAGE);
  const records = under.filter(({ kind }) => kind !== PACKAGE);
  const subject = patient?.record ?? `patient of ${itself.record}`;
  const staff = new Map(asked.staff.map((one) => [one.record, new Told(one)]));
  const authors = [...new Set([itself, ...records].map(({ by }) => by))].filter(Boolean).sort();
  const found: Named[] = [
    [subject, patient === null ? nobody(subject) : writePatient(patient)],
    ...authors.map((one): Named => [one, practitioner(one, staff.get(one))]),
    [itself.record, procedure(itself, records, subject)],
  ];
  for (const one of records) {
    if (!DEVICE_KINDS.includes(one.kind)) continue;
    found.push([one.record, writeDevice(one, subject, packages)]);
  }
  for (const one of records) {
    if (!OBSERVATION_KINDS.includes(one.kind)) continue;
    const observation = writeObservation(one, subject);
    if (observation !== null) found.push([one.record, observation]);
  }
  for (const one of inOrder(asked.visits)) {
    found.push(...writeVisit(new Told(one), one.slot, subject));
  }
  found.push(...provenances(itself, records, new Set(found.map(([record]) => record))));
  const at = writeInstant(asked.made_ms);
  return {
    resourceType: 'Bundle',
    type: 'collection',
    ...(at === '' ? {} : { timestamp: at }),
    entry: found.map(([record, resource]) => entry(record, resource)),
  };
}

function inOrder<One extends TellableRecord>(records: readonly One[]): One[] {
  return [...records].sort((a, b) => (a.record < b.record ? -1 : a.record > b.record ? 1 : 0));
}

/** A procedure and an observation are somebody's: of whom is not known. */
function nobody(record: string): Resource {
  return { resourceType: 'Patient', id: opaqueId(record), name: [absentExtension()] };
}

function writePatient(told: Told): Resource {
  const resource: Resource = { resourceType: 'Patient', id: opaqueId(told.record) };
  const number = told.text('local_id');
  if (told.hasDoubt('local_id')) {
    resource.identifier = [{ system: LOCAL_NUMBER, _value: absentExtension() }];
  } else if (number !== '') resource.identifier = [{ system: LOCAL_NUMBER, value: number }];
  const family = told.text('family_name');
  const given = told.text('given_name');
  if (told.hasDoubt('family_name') || told.hasDoubt('given_name')) {
    resource.name = [absentExtension()];
  } else if (family !== '' || given !== '') {
    const name = family === '' ? {} : { family };
    resource.name = [{ ...name, ...(given === '' ? {} : { given: [given] }) }];
  }
  if (told.hasDoubt('sex')) resource._gender = absentExtension();
  else if (['female', 'male'].includes(told.text('sex'))) resource.gender = told.text('sex');
  if (told.hasDoubt('born_on')) resource._birthDate = absentExtension();
  else if (told.day('born_on') !== '') resource.birthDate = told.day('born_on');
  return resource;
}

function practitioner(record: string, told: Told | undefined): Resource {
  const name = told?.text('name') ?? '';
  return {
    resourceType: 'Practitioner',
    id: opaqueId(record),
    identifier: [{ system: STAFF, value: clean(record.replace(/^staff\//, '')) }],
    ...(name === '' ? {} : { name: [{ text: name }] }),
  };
}

function procedure(itself: Told, records: readonly Told[], subject: string): Resource {
  const standing = records.filter((one) => !one.isStruck);
  const varix = itself.text('varix_class');
  const site = concept('case.varix_class', varix);
  const reason = itself.text('indication');
  const events = standing.filter(({ kind }) => kind === 'complication');
  const complications = events
    .filter((one) => !['', 'none'].includes(one.text('what')))
    .map((one) => {
      const coded = concept('complication.what', one.text('what'));
      const note = one.text('note');
      return note === '' ? coded : { ...coded, text: `${coded.text}: ${note}` };
    });
  const isNone = events.length > 0 && complications.length === 0;
  const coding = [{ system: 'http://hl7.org/fhir/device-action', code: 'implanted' }];
  const focal = standing
    .filter(({ kind }) => DEVICE_KINDS.includes(kind))
    .map(({ record }) => ({ action: { coding }, manipulated: refer(record) }));
  return {
    resourceType: 'Procedure',
    id: opaqueId(itself.record),
    status: statusOf(itself, standing),
    code: { text: 'Treatment of varices guided by endoscopic ultrasound' },
    subject: refer(subject),
    ...performed(itself, standing),
    ...(reason === '' ? {} : { reasonCode: [concept('case.indication', reason)] }),
    bodySite: [varix === '' ? { text: 'varix, class not stated' } : site],
    ...(complications.length > 0 ? { complication: complications } : {}),
    ...notes([
      isNone ? 'No adverse event was noted.' : '',
      ...itself.doubts(OF_CASE),
      ...events.flatMap((one) => one.doubts(['what', 'note'])),
    ]),
    ...(focal.length > 0 ? { focalDevice: focal } : {}),
  };
}

function statusOf(itself: Told, standing: readonly Told[]): string {
  if (itself.isStruck) return 'entered-in-error';
  const stage = itself.text('stage');
  if (stage === 'closed' && itself.text('imported_in') === '') {
    // A case closes without a treatment too, and its day may be one that was only planned.
    return standing.some(({ kind }) => ACTS.includes(kind)) ? 'completed' : 'unknown';
  }
  return STATUS.get(stage) ?? (stage === '' ? 'unknown' : 'in-progress');
}

function performed(itself: Told, standing: readonly Told[]): Resource {
  const times = standing
    .filter(({ kind }) => ACTS.includes(kind))
    .map((one) => instantMs(one.text('at')))
    .filter((ms): ms is number => ms !== null && writeInstant(ms) !== '');
  if (times.length > 0) {
    const start = writeInstant(Math.min(...times));
    return { performedPeriod: { start, end: writeInstant(Math.max(...times)) } };
  }
  const day = itself.day('procedure_on');
  return day === '' ? {} : { performedDateTime: day };
}

/** Return who wrote what last, person by person, and each signature over the case. */
function provenances(itself: Told, records: readonly Told[], told: ReadonlySet<string>): Named[] {
  const found: Named[] = [];
  const held = [itself, ...records].filter(({ record, by }) => told.has(record) && by !== '');
  for (const author of [...new Set(held.map(({ by }) => by))].sort()) {
    const own = held.filter(({ by }) => by === author);
    const at = writeInstant(Math.max(...own.map(({ atMs }) => atMs)));
    const name = `writings of ${author} in ${itself.record}`;
    if (at !== '') found.push([name, provenance(name, own, at, author)]);
  }
  for (const one of records) {
    if (one.kind !== 'sign_off' || one.isStruck || one.by === '') continue;
    const at = writeInstant(instantMs(one.text('at')) ?? one.atMs);
    if (at === '') continue;
    const digest = one.text('digest');
    const data = DIGEST.test(digest) ? { data: writeBase64(hexToBytes(digest)) } : {};
    const signature = { type: [SIGNATURE], when: at, who: refer(one.by), ...data };
    const resource = provenance(one.record, [itself], at, one.by);
    found.push([one.record, { ...resource, signature: [signature] }]);
  }
  return found;
}

function provenance(name: string, targets: readonly Told[], at: string, author: string): Resource {
  return {
    resourceType: 'Provenance',
    id: opaqueId(name),
    target: targets.map(({ record }) => refer(record)),
    recorded: at,
    agent: [{ who: refer(author) }],
  };
}
