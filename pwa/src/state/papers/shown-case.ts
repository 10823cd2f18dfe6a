/**
 * A case as it is shown: every value that one reads, without who wrote it when. Pure.
 *
 * Papers are made from this alone, so that the server and a tablet that hold the same operations
 * print the same. Twin of `api/documents/shown_case.py`.
 */
import { isCivilDate } from '../../clinical-rules/civil-date';
import type { Json } from '../../ports';

/** Kinds of which every value is kept, though each field has one answer: two are a doubt. */
export const ONE_ANSWER: readonly string[] = ['coil_placed', 'adhesive_injected', 'flush'];

export type Parts = { readonly [part: string]: Json };

/** One record; a field with two answers is in `conflicts` and not in `shows`. */
export interface ShownRecord {
  record: string;
  shows: Parts;
  /** Field to all its values, where it keeps several. */
  held: { readonly [field: string]: readonly Json[] };
  conflicts: string[];
  /** Who wrote what stands last. */
  by: string;
}

/** One case with all that papers tell of it; entries made in error are left out. */
export interface ShownCase {
  /** Civil date of today. */
  on: string;
  /** IANA name of the unit's time zone. */
  zone: string;
  itself: ShownRecord;
  patient: ShownRecord | null;
  /** Recorded under the case, oldest first. */
  records: ShownRecord[];
  visits: ShownRecord[];
  staff: ShownRecord[];
  stock: ShownRecord[];
  unit_name: string;
  unit_address: string;
  unit_phone: string;
  /** Facts outside the stated use: then nothing planned or computed is printed (HAZ-13). */
  outside: string[];
  /** Something signed was changed after the last signature. */
  is_changed: boolean;
  /**
   * Record and field of what was entered after it, sorted; what was struck since, or had not
   * reached the signer, is not in it.
   */
  changed: [string, string][];
  /** Lines of the lay-out list. */
  lay_out: Parts[];
  /** The unit is in training: its patients are invented. */
  is_training?: boolean;
}

/** Return every record of a case and field of it in which two answers wait. */
export function doubtsOf(shown: ShownCase): [ShownRecord, string][] {
  const { itself, patient, records, visits } = shown;
  const every = [itself, ...(patient ? [patient] : []), ...records, ...visits];
  return every.flatMap((one) => one.conflicts.map((field): [ShownRecord, string] => [one, field]));
}

/** What both engines read as an instant; each alone would read more. */
const INSTANT =
  /^[0-9]{4}-[0-9]{2}-[0-9]{2}T([01][0-9]|2[0-3]):[0-5][0-9](:[0-5][0-9](\.[0-9]{3})?)?(Z|[+-]([01][0-9]|2[0-3]):[0-5][0-9])$/;

export function isCount(value: unknown): value is number {
  return typeof value === 'number' && Number.isInteger(value) && value >= 0;
}

export function partsOf(value: unknown): Parts {
  return typeof value === 'object' && value !== null && !Array.isArray(value)
    ? (value as Parts)
    : {};
}

export function partIn(parts: Parts, name: string): Json | undefined {
  return Object.hasOwn(parts, name) ? parts[name] : undefined;
}

export function textIn(parts: Parts, name: string): string {
  const value = partIn(parts, name);
  return typeof value === 'string' ? value : '';
}

export function countIn(parts: Parts, name: string): number | null {
  const value = partIn(parts, name);
  return isCount(value) ? value : null;
}

export function countText(parts: Parts, name: string): string {
  const count = countIn(parts, name);
  return count === null ? '' : String(count);
}

export function textsIn(value: unknown): string[] {
  return Array.isArray(value) ? value.filter((one) => typeof one === 'string') : [];
}

export function rowsIn(value: unknown): Parts[] {
  return Array.isArray(value)
    ? value.filter((one) => typeof one === 'object' && one !== null && !Array.isArray(one))
    : [];
}

/** Return each text once, in the order in which it came first, without empty ones. */
export function once(found: readonly string[]): string[] {
  return [...new Set(found)].filter((one) => one !== '');
}

/** Return the lines of a text, without empty ones. */
export function linesIn(text: string): string[] {
  return text
    .split('\n')
    .map((line) => line.trim())
    .filter((line) => line !== '');
}

/** Return the parts of a structured field, none where none is shown. */
export function structure(one: ShownRecord | null, field: string): Parts {
  return one === null ? {} : partsOf(partIn(one.shows, field));
}

/** Return a text of a field, or of a part of it; "" where none is shown. */
export function text(one: ShownRecord | null, field: string, part = ''): string {
  if (one === null) return '';
  return part === '' ? textIn(one.shows, field) : textIn(structure(one, field), part);
}

/** Return a whole number of 0 or more, null where none is shown. */
export function whole(one: ShownRecord | null, field: string, part = ''): number | null {
  if (one === null) return null;
  return part === '' ? countIn(one.shows, field) : countIn(structure(one, field), part);
}

export function texts(one: ShownRecord | null, field: string): string[] {
  return one === null ? [] : textsIn(partIn(one.shows, field));
}

export function kindOf({ record }: Pick<ShownRecord, 'record'>): string {
  return record.slice(0, record.indexOf('/') < 0 ? record.length : record.indexOf('/'));
}

export function ofKind(shown: Pick<ShownCase, 'records'>, kind: string): ShownRecord[] {
  return shown.records.filter((one) => kindOf(one) === kind);
}

/** Return the targets in the order of treatment, then of entry. */
export function targetsOf(shown: ShownCase): ShownRecord[] {
  const place = (one: ShownRecord) => whole(one, 'order') ?? Number.POSITIVE_INFINITY;
  return ofKind(shown, 'target').sort((one, other) => {
    const [a, b] = [place(one), place(other)];
    return a === b ? 0 : a < b ? -1 : 1;
  });
}

export function stocked(shown: ShownCase, record: string): ShownRecord | null {
  return shown.stock.find((one) => one.record === record) ?? null;
}

/** Return the name of a person of the unit, else the bare id. */
export function nameOf(shown: ShownCase, person: string): string {
  const found = shown.staff.find((one) => one.record === person) ?? null;
  return text(found, 'name') || person.replace(/^staff\//, '');
}

export function patientName({ patient }: ShownCase): string {
  return [text(patient, 'given_name'), text(patient, 'family_name')].filter(Boolean).join(' ');
}

/** Return the civil date of the procedure, "" where none is recorded. */
export function dayOf({ itself }: ShownCase): string {
  const said = text(itself, 'procedure_on');
  return isCivilDate(said) ? said : '';
}

/** Return the time of day of an instant where the unit is, `HH:MM`, "" for no instant. */
export function timeOf(shown: ShownCase, at: string): string {
  return local(shown, at)?.slice(11, 16) ?? '';
}

/** Return the civil date of an instant where the unit is, "" for no instant. */
export function civilDateOf(shown: ShownCase, at: string): string {
  return local(shown, at)?.slice(0, 10) ?? '';
}

function local({ zone }: ShownCase, at: string): string | null {
  if (!INSTANT.test(at) || !isCivilDate(at.slice(0, 10))) return null;
  const parts = new Intl.DateTimeFormat('en', {
    timeZone: zone,
    calendar: 'iso8601',
    numberingSystem: 'latn',
    hourCycle: 'h23',
    year: 'numeric',
    month: '2-digit',
    day: '2-digit',
    hour: '2-digit',
    minute: '2-digit',
  }).formatToParts(new Date(at));
  const of = (type: string) => parts.find((part) => part.type === type)?.value ?? '';
  return `${of('year').padStart(4, '0')}-${of('month')}-${of('day')}T${of('hour')}:${of('minute')}`;
}
