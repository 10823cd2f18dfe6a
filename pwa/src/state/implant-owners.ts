/**
 * Whose an implant is: each case and patient that it may be in, with what is odd about it. Pure.
 * What was struck is kept and marked: the coil may be in somebody all the same (HAZ-46).
 */
import type { Group } from '../clinical-rules/implant-search';
import type { Reading } from '../clinical-rules/label-readings';
import type { HistoryEntry, Json, RecordState } from '../ports';
import { readStamp } from '../sync/clock';

export const IMPLANT_KINDS = ['coil_placed', 'adhesive_injected', 'package_opened'] as const;
export type ImplantKind = (typeof IMPLANT_KINDS)[number];
/** What is odd about a find; `died` and `transferred` are why follow-up ended. */
export const MARKS = [
  'struck',
  'two-lots',
  'no-case',
  'case-struck',
  'case-not-here',
  'two-patients',
  'no-patient',
  'patient-struck',
  'patient-not-here',
  'died',
  'transferred',
] as const;
export type Mark = (typeof MARKS)[number];

/** One find: an implant or a package in one case, "" for what is not known. */
export interface FoundImplant {
  group: Group;
  /** What of the search it differs in. */
  differs: readonly string[];
  /** `kind/id`. */
  record: string;
  kind: ImplantKind | (string & {});
  item: string;
  fate: string;
  /** Loop of a coil in micrometres, null where nobody entered it; left out where it is not told. */
  loopUm?: number | null;
  identifier: string;
  lot: string;
  /** Nobody entered a lot, nor said that it is unknown; left out where that is not told. */
  isLotMissing?: boolean;
  serial: string;
  expiresOn: string;
  /** Civil date. */
  on: string;
  /** `case/id`. */
  case: string;
  /** `patient/id`. */
  patient: string;
  number: string;
  name: string;
  bornOn: string;
  site: string;
  /** Device on which it was recorded. */
  recordedOn: string;
  marks: readonly string[];
}

/** Everything that was ever set in a record that is struck now, by field. */
export type SaidBefore = ReadonlyMap<string, Readonly<Record<string, readonly Json[]>>>;

/** What the tablet holds around implants. */
export interface HeldRecords {
  implants: readonly RecordState[];
  cases: readonly RecordState[];
  patients: readonly RecordState[];
  visits: readonly RecordState[];
  sites: readonly RecordState[];
  before: SaidBefore;
}

/** An implant with all readings of its labels, ready to be searched again and again. */
export interface HeldImplant {
  state: RecordState;
  kind: string;
  item: string | null;
  /** Its own day. */
  on: string | null;
  /** On which days it may have been used, null where nobody can tell (LT8). */
  days: readonly (string | null)[];
  /** `stock_item/id` that it was taken from, "" where that is not known. */
  stock: string;
  readings: readonly Reading[];
}

/** Where an implant belongs, and the reading that fits best. */
export interface Judged {
  group: Group;
  differs: readonly string[];
  reading: Reading;
}

/** Return what a struck record said, from its history. */
export function sayBefore(history: readonly HistoryEntry[]): Record<string, Json[]> {
  const found: Record<string, Json[]> = {};
  for (const { set } of history) {
    for (const [field, value] of Object.entries(set))
      found[field] = [...(found[field] ?? []), value];
  }
  return found;
}

/** Cases and patients around implants. */
export class ImplantOwners {
  readonly #records: HeldRecords;
  readonly #cases: ReadonlyMap<string, RecordState>;
  readonly #patients: ReadonlyMap<string, RecordState>;
  readonly #ended = new Map<string, Set<string>>();
  readonly #site: string;

  constructor(records: HeldRecords) {
    this.#records = records;
    this.#cases = new Map(records.cases.map((one) => [one.record, one]));
    this.#patients = new Map(records.patients.map((one) => [one.record, one]));
    for (const visit of records.visits) {
      const reasons = visit.isEnteredInError ? [] : textsIn(visit, 'ended_because', records.before);
      for (const patient of reasons.length > 0 ? textsIn(visit, 'patient', records.before) : []) {
        const ended = this.#ended.get(patient) ?? new Set();
        for (const reason of reasons) ended.add(reason);
        this.#ended.set(patient, ended);
      }
    }
    const sites = records.sites.filter((one) => !one.isEnteredInError);
    this.#site = [...new Set(sites.flatMap((one) => textsIn(one, 'name', records.before)))].join(
      ' / ',
    );
  }

  /** Return a row for each case and patient that the implant may be in. */
  tell({ state, kind, item, on, readings }: HeldImplant, best: Judged): FoundImplant[] {
    const { before } = this.#records;
    const fates = textsIn(state, 'fate', before);
    const cases = unique(textsIn(state, 'case', before));
    const size = kind === 'coil_placed' ? { loopUm: loopOf(state, before) } : {};
    const isLotMissing = !best.reading.lot && !isLotSaidUnknown(state, before);
    const own: Mark[] = [
      ...(state.isEnteredInError ? (['struck'] as const) : []),
      ...(new Set(readings.map(({ lot }) => lot)).size > 1 ? (['two-lots'] as const) : []),
    ];
    return (cases.length > 0 ? cases : ['']).flatMap((name) => {
      const held = this.#cases.get(name);
      const [patients, marks] = this.#owners(name, held);
      const [plannedOn = ''] = held ? textsIn(held, 'procedure_on', before) : [];
      return patients.map((patient) => ({
        group: best.group,
        differs: best.differs,
        record: state.record,
        kind,
        item: item ?? '',
        fate: fates.length === 1 ? (fates[0] ?? '') : '',
        ...size,
        identifier: best.reading.identifier ?? '',
        lot: best.reading.lot ?? '',
        ...(isLotMissing ? { isLotMissing } : {}),
        serial: best.reading.serial ?? '',
        expiresOn: best.reading.expires_on ?? '',
        on: on ?? plannedOn,
        case: name,
        patient,
        ...this.#about(patient),
        site: this.#site,
        recordedOn: deviceOf(state),
        marks: [...own, ...marks, ...this.#patientMarks(patient)],
      }));
    });
  }

  #owners(name: string, held: RecordState | undefined): [string[], Mark[]] {
    if (name === '') return [[''], ['no-case']];
    if (held === undefined) return [[''], ['case-not-here']];
    const marks: Mark[] = held.isEnteredInError ? ['case-struck'] : [];
    const patients = unique(textsIn(held, 'patient', this.#records.before));
    if (patients.length === 0) return [[''], [...marks, 'no-patient']];
    return [patients, patients.length > 1 ? [...marks, 'two-patients'] : marks];
  }

  #about(patient: string): Pick<FoundImplant, 'number' | 'name' | 'bornOn'> {
    const held = this.#patients.get(patient);
    const said = (field: string) =>
      held ? unique(textsIn(held, field, this.#records.before)).join(' / ') : '';
    const names = [said('family_name'), said('given_name')].filter((one) => one !== '');
    return { number: said('local_id'), name: names.join(', '), bornOn: said('born_on') };
  }

  #patientMarks(patient: string): Mark[] {
    if (patient === '') return [];
    const held = this.#patients.get(patient);
    const ended = this.#ended.get(patient);
    return [
      ...(held === undefined ? (['patient-not-here'] as const) : []),
      ...(held?.isEnteredInError ? (['patient-struck'] as const) : []),
      ...(['died', 'transferred'] as const).filter((reason) => ended?.has(reason)),
    ];
  }
}

/** Every value left in a field; of a struck record whatever was set. */
export function valuesIn(state: RecordState, field: string, before: SaidBefore): readonly Json[] {
  if (state.isEnteredInError) return before.get(state.record)?.[field] ?? [];
  const held = Object.hasOwn(state.fields, field) ? state.fields[field] : undefined;
  return held?.values.map(({ value }) => value as Json) ?? [];
}

/** Return the texts among them. */
export function textsIn(state: RecordState, field: string, before: SaidBefore): string[] {
  return valuesIn(state, field, before).filter(
    (one): one is string => typeof one === 'string' && one !== '',
  );
}

/** Return the loop of a coil; two answers are none. */
function loopOf(state: RecordState, before: SaidBefore): number | null {
  const loops = valuesIn(state, 'coil', before).map((held) => loopIn(held));
  const [loop = null] = loops;
  return new Set(loops).size === 1 ? loop : null;
}

function isLotSaidUnknown(state: RecordState, before: SaidBefore): boolean {
  return valuesIn(state, 'device', before).some((held) => Object(held).lot_unknown === true);
}

/** Return the loop that the structure of a coil holds, null where it holds none. */
export function loopIn(coil: Json): number | null {
  const loop = Object(coil).loop_um;
  return typeof loop === 'number' ? loop : null;
}

function deviceOf(state: RecordState): string {
  const stamps = Object.values(state.fields).flatMap(({ values }) =>
    values.map(({ stamp }) => stamp),
  );
  return readStamp(stamps.sort()[0] ?? '')?.device ?? '';
}

function unique(texts: readonly string[]): string[] {
  return [...new Set(texts)];
}
