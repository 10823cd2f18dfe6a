/** All open conflicts on this device, each with whom it is about; kept current. */
import type { OpenConflictRow, RecordStore } from '../ports';
import { type Effect, effectsOf } from '../record-catalogue/conflict-effects';
import { readStamp } from '../sync/clock';
import { decisions } from '../text/decisions';
import { patientLine } from '../text/patient';
import { LiveRecords } from './live-records.svelte';
import { LiveRows } from './live-rows.svelte';
import { type RecordState, shown, textOf } from './shown';

export interface OpenDecision extends OpenConflictRow {
  /** The patient in one line, "" where the record belongs to none. */
  about: string;
  /** Which of several: a target's or visit's label, a laboratory value; "" where there is one. */
  what: string;
  /** What it holds back until it is settled (CF3). */
  holdsBack: readonly Effect[];
  /** Since when it is open: when the second answer was written; null for no stamp of ours. */
  openSinceMs: number | null;
  /** Whose it is to settle: who wrote last, and knew of the first answer or could ask (HAZ-32). */
  owner: string;
}

/** From then on a conflict is told to the unit lead as well. */
const LATE_MS = 24 * 60 * 60 * 1000;

/** Say whether a conflict has waited for more than a day. */
export function isLate({ openSinceMs }: OpenDecision, nowMs: number): boolean {
  return openSinceMs !== null && nowMs - openSinceMs > LATE_MS;
}

/** Return when an operation was written, in wall milliseconds of its device; null for any other. */
export function writtenMs(stamp: string): number | null {
  return readStamp(stamp)?.wallMs ?? null;
}

/** Return the device that wrote the operation a reference names. */
export function deviceOf(reference: string): string {
  return reference.split('.', 1)[0] ?? '';
}

/** Return by what people tell a record from others of its kind, "" where nothing is shown. */
export async function whatOf(store: RecordStore, record: string): Promise<string> {
  const [state] = await store.read({ kind: record.split('/', 1)[0] ?? '', record });
  const names = ['label', 'analyte', 'name'].map((field) => textOf(state, field));
  return names.find((name) => name !== '') ?? '';
}

const PARENTS = ['case', 'patient', 'visit'] as const;

/** Return the patient a record belongs to, in one line; "" when none is held here. */
export async function aboutWhom(store: RecordStore, record: string): Promise<string> {
  let at = record;
  // patient <- case <- anything: three steps at most.
  for (let step = 0; step < 3; step += 1) {
    const kind = at.split('/', 1)[0] ?? '';
    const [state] = await store.read({ kind, record: at });
    if (state === undefined) return '';
    if (kind === 'patient') return patientLine(state);
    const parent = parentOf(state, kind);
    if (parent === '') return '';
    at = parent;
  }
  return '';
}

function parentOf(state: RecordState, kind: string): string {
  for (const field of PARENTS) {
    if (field === kind) continue;
    // A conflict about the parent itself: name either rather than nobody.
    const held = state.fields[field]?.values.at(-1)?.value;
    if (typeof held === 'string' && held.includes('/')) return held;
  }
  return '';
}

export class OpenDecisions extends LiveRows<OpenDecision> {
  constructor(store: RecordStore) {
    super(store, async () =>
      oldestFirst(await Promise.all((await store.conflicts()).map((row) => describe(store, row)))),
    );
  }
}

function oldestFirst(rows: OpenDecision[]): OpenDecision[] {
  const since = ({ openSinceMs }: OpenDecision) => openSinceMs ?? 0;
  return rows.sort((one, other) => since(one) - since(other));
}

async function describe(store: RecordStore, row: OpenConflictRow): Promise<OpenDecision> {
  return {
    ...row,
    about: await aboutWhom(store, row.record),
    what: await whatOf(store, row.record),
    holdsBack: effectsOf(row.kind, row.field),
    // Values are in order of stamp.
    openSinceMs: writtenMs(row.values[1]?.stamp ?? ''),
    owner: row.values.at(-1)?.by ?? '',
  };
}

/** Names of staff by their record, for "by whom". */
export class StaffNames {
  readonly #staff: LiveRecords;

  constructor(store: RecordStore) {
    this.#staff = new LiveRecords(store, { kind: 'staff' });
  }

  /** Return the name, or the id where the staff list does not hold it. */
  nameOf(by: string): string {
    const found = this.#staff.list.find((person) => person.record === by);
    const name = shown(found, 'name');
    if (typeof name === 'string') return name;
    return by === 'staff/unnamed' ? decisions.unnamed : by;
  }

  /** Return the role's word, "" where unknown. */
  roleOf(by: string): string {
    return textOf(
      this.#staff.list.find((person) => person.record === by),
      'role',
    );
  }

  dispose(): void {
    this.#staff.dispose();
  }
}
