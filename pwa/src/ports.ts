/**
 * What the app needs from the device, the store and the network, by name only.
 * `main.ts` hands in the real ones; tests hand in others.
 */
import type { JsonContent } from './sync/canonical-text';
import type { RecordState } from './sync/merge';

export type { FieldState, HeldValue, RecordState } from './sync/merge';

export type Json = JsonContent;

/** Reads time. Civil dates are in the unit's time zone. */
export interface Clock {
  /** Wall clock, whole milliseconds since 1970-01-01T00:00Z. */
  nowMs(): number;
  /** Milliseconds of a clock that never jumps while awake. */
  monotonicMs(): number;
  /** Today as `YYYY-MM-DD`. */
  today(): string;
  /** Now as ISO 8601 with offset. */
  nowIso(): string;
}

/** Makes ids: time-ordered, ASCII, fit for `kind/id`. */
export interface IdSource {
  newId(): string;
}

/** One act of a person on one record, before it has become an operation. */
export interface Draft {
  /** Minted when the control is drawn: a second press sends the same draft and saves nothing new. */
  draftId: string;
  /** `kind/id` */
  record: string;
  set?: Record<string, Json>;
  /** References that were on screen when the form opened, by field. */
  over?: Record<string, readonly string[]>;
  /** References entered in error. */
  retract?: readonly string[];
  because?: string;
}

/** Saved means: on the disk of this tablet. */
export type SaveAnswer =
  | { kind: 'saved'; records: RecordState[]; references: string[] }
  | { kind: 'not-saved'; sentence: string };

export interface RecordQuery {
  kind: string;
  /** Id (`kind/id`) of the parent record, as the catalogue names the parent field. */
  parent?: string;
  /** One record by its id. */
  record?: string;
  /** A person opens this case: it is exchanged first, and brought back where it was dropped. */
  isLookedAt?: boolean;
}

export interface HistoryEntry {
  reference: string;
  stamp: string;
  wallMs: number;
  by: string;
  tappedBy: string;
  device: string;
  set: Record<string, Json>;
  retract: string[];
  because: string;
  isStruck: boolean;
  /** Where the operation has got to. */
  reached: 'tablet' | 'unit';
}

export interface OpenConflictRow {
  record: string;
  kind: string;
  field: string;
  values: { value: Json; by: string; stamp: string; references: string[] }[];
}

/** One place in which two answers differ, in the unit's words. */
export interface PlanDifference {
  /** Where in the answer, as RFC 9535 writes it. */
  path: string;
  what: string;
  tablet: string;
  server: string;
}

/** A plan that the unit's second check could not confirm. */
export interface PlanCheckRow {
  record: string;
  references: string[];
  /** The targets that the plan names. */
  labels: string[];
  by: string;
  stamp: string;
  verdict: 'differs' | 'cannot-be-checked';
  /** Why it cannot be checked, else "". */
  sentence: string;
  differences: PlanDifference[];
  /** How many differences there are beyond those listed. */
  left_out: number;
}

export interface PlanChecks {
  plans: PlanCheckRow[];
  agreed: number;
  waiting: number;
}

/** The sentence is "" on a device that has not joined a unit. */
export type PlanChecksAnswer =
  | ({ kind: 'told' } & PlanChecks)
  | { kind: 'not-told'; sentence: string };

/** An operation that the unit could not take in; `fork` where it holds another under its id. */
export interface UnitAlarm {
  kind: 'fork' | 'set-aside';
  op_id: string;
  record: string;
  sentence: string;
  received_ms: number;
}

/** The sentence is "" on a device that has not joined a unit. */
export type UnitAlarmsAnswer =
  | { kind: 'told'; alarms: UnitAlarm[] }
  | { kind: 'not-told'; sentence: string };

/** Which of `joined` devices this is; a device that has not joined works alone. */
export interface DeviceStanding {
  device: string;
  role: 'bedside' | 'booking';
  joined: boolean;
  unitName: string;
}

export interface ExchangeStanding {
  state: 'alone' | 'resting' | 'exchanging' | 'no-network' | 'refused' | 'needs-a-person';
  unsent: number;
  oldestUnsentMs: number | null;
  lastDoneMs: number | null;
  /** One sentence where a person has to do something, else "". */
  sentence: string;
}

export type OpenAnswer =
  | { kind: 'open'; standing: DeviceStanding | null; persisted: boolean }
  | { kind: 'busy-elsewhere'; sentence: string }
  | { kind: 'refused'; sentence: string };

/** A case whose content was dropped here and is kept at the unit. */
export interface DroppedCase {
  record: string;
  /** Record of its patient, "" when none was shown. */
  patient: string;
  droppedMs: number;
}

/** What became of the operations of a file that was opened. */
export interface TakenIn {
  /** Records whose state may have changed. */
  records: string[];
  taken: number;
  known: number;
  /** Own operations that wait for earlier ones, left in the file. */
  waiting: number;
  /** Of streams that this device's role does not read, or of the unit server: left in the file. */
  left: number;
  setAside: number;
}

/** The record on this tablet. Every promise resolves; none rejects for a person's input. */
export interface RecordStore {
  open(): Promise<OpenAnswer>;
  /** All drafts in one transaction, durable before the promise resolves. */
  save(drafts: readonly Draft[], who: { by: string; tappedBy: string }): Promise<SaveAnswer>;
  read(query: RecordQuery): Promise<RecordState[]>;
  history(record: string): Promise<HistoryEntry[]>;
  conflicts(): Promise<OpenConflictRow[]>;
  /** What the unit's second check says of the plans it holds; asks the unit. */
  planChecks(): Promise<PlanChecksAnswer>;
  /** What the unit could not take in, from any device; asks the unit. */
  unitAlarms(): Promise<UnitAlarmsAnswer>;
  /** Small facts of this device alone (where it was, who taps): never exchanged. */
  remember(name: string, content: Json): Promise<void>;
  recall(name: string): Promise<Json>;
  /** Take part without a unit, or join one by an invitation code. */
  startAlone(role: DeviceStanding['role']): Promise<DeviceStanding>;
  join(
    code: string,
  ): Promise<{ kind: 'joined'; standing: DeviceStanding } | { kind: 'refused'; sentence: string }>;
  exchangeNow(): Promise<ExchangeStanding>;
  /** Operations that the unit does not hold yet, per case or patient record. */
  unsentRecords(): Promise<string[]>;
  /** Cases that are kept at the unit alone; reading one by its id asks the unit for it. */
  droppedCases(): Promise<DroppedCase[]>;
  /** Put operations into one file (`unsent`: own ones that the unit does not hold). */
  saveToFile(
    scope: 'all' | 'unsent',
  ): Promise<{ bytes: Uint8Array<ArrayBuffer>; operations: number }>;
  /** Take in such a file; the sentence says why not. */
  openFile(
    bytes: Uint8Array,
  ): Promise<{ kind: 'taken-in'; taken: TakenIn } | { kind: 'refused'; sentence: string }>;
  onRecords(listener: (records: string[]) => void): () => void;
  onExchange(listener: (standing: ExchangeStanding) => void): () => void;
}
