/**
 * What the app needs from the device, the store and the network, by name only.
 * `main.ts` hands in the real ones; tests hand in others.
 */
import type { AskClinic } from './clinic-questions';
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
  /**
   * A person opens this case or patient: that is noted (AU6); a case is exchanged first, and
   * brought back where it was dropped.
   */
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

/**
 * An operation that could not be taken in; `fork` where another is held under its id, `damaged`
 * where the unit cannot read entries any more that it took in, `older-copy` where a device has read
 * what the unit does not hold (EX21).
 */
export interface UnitAlarm {
  /** How a decision speaks of it (CF5). */
  name: string;
  kind: 'fork' | 'set-aside' | 'damaged' | 'older-copy';
  /** Id of the operation, or the log or the device where all of it is meant. */
  op_id: string;
  record: string;
  sentence: string;
  /** When it came, wall milliseconds; null where that is not known. */
  received_ms: number | null;
}

/** An alarm that a person has seen to; `by` is "" where this device does not read who. */
export interface SeenAlarm extends UnitAlarm {
  by: string;
  written_ms: number;
  because: string[];
}

export interface Alarms {
  alarms: UnitAlarm[];
  seen_to: SeenAlarm[];
}

/** The sentence is "" on a device that has not joined a unit. */
export type UnitAlarmsAnswer = ({ kind: 'told' } & Alarms) | { kind: 'not-told'; sentence: string };

/** A device of the unit and its last exchange, in wall milliseconds of the server (HAZ-35). */
export interface UnitDevice {
  id: string;
  name: string;
  role: string;
  joined_ms: number;
  /** Null where it joined and never exchanged. */
  last_contact_ms: number | null;
  /** Its clock less the server's, at its last exchange. */
  clock_offset_ms: number | null;
  silent_ms: number;
  silence: 'none' | 'silent' | 'escalated';
}

/** The sentence is "" on a device that has not joined a unit. */
export type UnitDevicesAnswer =
  | { kind: 'told'; devices: UnitDevice[] }
  | { kind: 'not-told'; sentence: string };

/** In what the promise of follow-up is broken (FG1-FG10). */
export type GapKind =
  | 'no-plan'
  | 'reason-to-come'
  | 'no-next-visit'
  | 'patient-struck'
  | 'end-to-confirm'
  | 'open-after-end'
  | 'two-answers'
  | 'no-owner'
  | 'no-day'
  | 'doubled'
  | 'no-result';

/** One place where it is broken; "" for what is not known. The list of kinds grows with the unit. */
export interface FollowUpGap {
  kind: GapKind | (string & {});
  /** `patient/id`. */
  patient: string;
  number: string;
  name: string;
  /** `case/id`. */
  case: string;
  /** `visit/id`. */
  visit: string;
  label: string;
  what_to_do: string;
  /** Civil date by which it was to be done. */
  due_on: string;
}

/** The unit's check of follow-up on one day; patients are counted. */
export interface FollowUpCheck {
  as_of_on: string;
  checked: number;
  with_next_act: number;
  ended: number;
  not_due: number;
  gaps: FollowUpGap[];
}

/** The sentence is "" on a device that has not joined a unit. */
export type FollowUpCheckAnswer =
  | ({ kind: 'told' } & FollowUpCheck)
  | { kind: 'not-told'; sentence: string };

/** Which letter to print; each has its own words. */
export type LetterKind = 'appointment' | 'moved' | 'cancelled' | 'missed' | 'please_call';

/** A visit as it was seen when the letter was asked for: where it differs by now, none is made. */
export interface LetterVisit {
  visit: string;
  on?: string;
  time?: string;
}

/** Whom the unit does not write to, with its sentence. */
export interface Withheld {
  visit: string;
  reason: string;
}

/** Letters as one PDF (base64, null where each was withheld). */
export interface UnitLetters {
  pdf: string | null;
  letters: { visit: string; page: number; is_draft: boolean }[];
  withheld: Withheld[];
}

/** The sentence is "" on a device that has not joined a unit. */
export type UnitLettersAnswer =
  | ({ kind: 'told' } & UnitLetters)
  | { kind: 'not-told'; sentence: string };

/** Reminders that fall due on some days, as CSV (RFC 4180). */
export interface UnitReminders {
  csv: string;
  reminders: { reference: string }[];
  withheld: Withheld[];
}

/** The sentence is "" on a device that has not joined a unit. */
export type UnitRemindersAnswer =
  | ({ kind: 'told' } & UnitReminders)
  | { kind: 'not-told'; sentence: string };

/** A session that the unit proposes for a visit; nothing is booked by it. */
export interface Proposal {
  visit: string;
  patient: string;
  session: string;
  on: string;
  starts: string;
  place: string;
  standing: 'kept' | 'new' | 'moved';
  /** Why, in the unit's words: what the record keeps. */
  because: string;
  /** The same as codes; absent from a unit of an older release. */
  reasons?: BookingReason[];
}

/** One reason of a proposal; the values are civil dates, counts of days, codes and places. */
export interface BookingReason {
  code: string;
  values: Readonly<Record<string, string | number>>;
}

export interface UnitProposals {
  proposals: Proposal[];
  unbooked: { visit: string; patient: string; because: string; reasons?: BookingReason[] }[];
  cost: number;
  is_optimal: boolean;
}

/** The sentence is "" on a device that has not joined a unit. */
export type UnitProposalsAnswer =
  | ({ kind: 'told' } & UnitProposals)
  | { kind: 'not-told'; sentence: string };

/** Counts of visits in one week, but `capacity`: places in sessions. */
export interface ClinicWeekCounts {
  monday_on: string;
  due: number;
  overdue: number;
  seen: number;
  seen_within_window: number;
  capacity: number;
  demand: number;
  booked: number;
}

/** The weeks in order; what lies around them stands apart, so that sums equal the lists. */
export interface UnitWeeks {
  weeks: ClinicWeekCounts[];
  before: ClinicWeekCounts;
  after: ClinicWeekCounts;
  undated: ClinicWeekCounts;
}

/** The sentence is "" on a device that has not joined a unit. */
export type UnitWeeksAnswer =
  | ({ kind: 'told' } & UnitWeeks)
  | { kind: 'not-told'; sentence: string };

/** Which of `joined` devices this is; a device that has not joined works alone. */
export interface DeviceStanding {
  device: string;
  role: 'bedside' | 'booking';
  joined: boolean;
  unitName: string;
  /** The six digits of this device while nobody at the unit has compared them yet (RQ7). */
  waiting?: string;
}

export interface ExchangeStanding {
  state: 'alone' | 'resting' | 'exchanging' | 'no-network' | 'refused' | 'needs-a-person';
  unsent: number;
  /** Nothing is known of what is unsent: a locked tablet could not read its copy. */
  isUnsentUnknown?: true;
  oldestUnsentMs: number | null;
  lastDoneMs: number | null;
  /** One sentence where a person has to do something, else "". */
  sentence: string;
  /** By how much this clock was ahead of the unit's when last compared; null before (SOFT-08). */
  clockOffsetMs?: number | null;
}

/** Up to where the operations of a record have got. */
export type Reached = 'tablet' | 'unit' | 'hub';

export type OpenAnswer =
  | {
      kind: 'open';
      standing: DeviceStanding | null;
      persisted: boolean;
      /** An emergency case alone: the other records stay locked until a PIN opens them. */
      isEmergency?: boolean;
    }
  /** The records are there, and only a PIN of somebody opens them. */
  | {
      kind: 'locked';
      keys: KeyStanding;
      /** Null: not known, since what lies here cannot be read now. */
      unsent: number | null;
      oldestUnsentMs: number | null;
      /** Records are here and no key of them: the unit alone can give it back. */
      areKeysLost?: true;
      /** Told, where the emergency case that was open can be opened no more. */
      trouble?: string;
    }
  | { kind: 'busy-elsewhere'; sentence: string }
  | { kind: 'refused'; sentence: string };

/** A person who has a PIN on this tablet. */
export interface PersonHere {
  /** `staff/id`. */
  staff: string;
  name: string;
  role: string;
  /** 0 where each further wrong PIN waits instead: the last person is not removed by it. */
  triesLeft: number;
  /** Wall milliseconds before which no PIN of theirs is tried; 0 where none waits. */
  waitUntilMs: number;
}

export interface KeyStanding {
  people: PersonHere[];
  /** Nobody has a PIN here yet: the records open without one. */
  isOpen: boolean;
  /** A live case keeps the records open through a restart. */
  hasLive: boolean;
  /** An emergency case is open, without the other records. */
  hasEmergency: boolean;
  /** This window only reads: the one that writes has the keys, and tries PINs. */
  isElsewhere?: true;
}

/** `removed`: the person has no PIN here, or lost it by ten wrong ones. */
export type PinAnswer =
  | { kind: 'right' }
  | { kind: 'wrong'; triesLeft: number; waitUntilMs: number }
  | { kind: 'waiting'; waitUntilMs: number }
  | { kind: 'removed' };

/** A PIN that may not be chosen, a code that is not taken: one sentence. */
export interface KeyRefusal {
  kind: 'refused';
  sentence: string;
}

/** Who says that a person may have a PIN here; nobody has to where nobody has one yet. */
export type Voucher = { by: string; pin: string } | { code: string } | null;

/** The keys of this tablet's records, and the PINs that open them [SEC-10] to [SEC-13]. */
export interface KeyKeeper {
  keyStanding(): Promise<KeyStanding>;
  /** Try a PIN; after `right` the store is opened as ever. */
  unlock(staff: string, pin: string): Promise<PinAnswer>;
  /** Try a PIN, for what its person confirms. */
  checkPin(staff: string, pin: string): Promise<PinAnswer>;
  /** Give a person a PIN. A code names its person itself; `person` is what the screen shows. */
  addPerson(
    person: Pick<PersonHere, 'staff' | 'name' | 'role'>,
    pin: string,
    voucher: Voucher,
  ): Promise<PinAnswer | KeyRefusal>;
  changePin(staff: string, oldPin: string, newPin: string): Promise<PinAnswer | KeyRefusal>;
  removePerson(staff: string): Promise<{ kind: 'removed' } | KeyRefusal>;
  /** Say whether a case is live here: it stays open through a restart for at most 12 hours. */
  keepLive(isLive: boolean): Promise<void>;
  /** From the locked screen: open a store of its own for a new case; then open as ever. */
  startEmergency(): Promise<{ kind: 'started' } | KeyRefusal>;
  /**
   * Let the unit give the key back; `code` is a fresh invitation. Once the device has joined by it,
   * the same code or "" goes on where it waited.
   */
  recover(code: string): Promise<{ kind: 'recovered' } | KeyRefusal>;
  /** Give up what nobody can open any more: everything on this tablet is removed. */
  startAnew(): Promise<void>;
  /** Close the records: the key and everything read goes from memory. */
  lock(): Promise<void>;
}

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

/** `mediaType` is what the bytes show, whatever the file was called. */
export type KeepPictureAnswer =
  | { kind: 'kept'; sha256: string; mediaType: string }
  | { kind: 'not-saved'; sentence: string };

export interface PictureBytes {
  /** Null while they are on their way, or where the tablet's disk has altered them. */
  bytes: Uint8Array<ArrayBuffer> | null;
  /** The unit does not hold them yet. */
  isUnsent: boolean;
}

/** Bytes of pictures on this tablet; their records are in the `RecordStore`. */
export interface PictureStore {
  /** Keep a picture on the disk, before the record that names it is saved. */
  keepPicture(record: string, bytes: Uint8Array<ArrayBuffer>): Promise<KeepPictureAnswer>;
  readPicture(sha256: string): Promise<PictureBytes>;
}

/** A camera that is on. */
export interface OpenCamera {
  stream: MediaStream;
  /** Switch it off. */
  close(): void;
}

/** From the size of a picture to the size it is drawn in. */
export type FitPicture = (natural: { width: number; height: number }) => {
  width: number;
  height: number;
};

/** Takes pictures and draws them again, which leaves behind what a file says beside its pixels. */
export interface PictureDevice {
  /**
   * Null where there is no camera, or nobody allowed it.
   *
   * @param wishedPx - width to ask the camera for
   */
  openCamera(wishedPx: number): Promise<OpenCamera | null>;
  /** The picture that a video shows now; `sizeFor` returns the size to draw it in. */
  drawVideo(video: HTMLVideoElement, sizeFor: FitPicture): HTMLCanvasElement;
  /** The picture of a file, null where it cannot be read as one. */
  drawFile(file: Blob, sizeFor: FitPicture): Promise<HTMLCanvasElement | null>;
  /** Let a person choose a picture file; null where none was chosen. */
  chooseFile(): Promise<File | null>;
  /**
   * Write a picture with its covers: their pixels are painted over first and so are gone.
   *
   * @returns null where it stays over the bound
   */
  write(
    canvas: HTMLCanvasElement,
    covers: readonly { x: number; y: number; width: number; height: number }[],
    wantsPng: boolean,
  ): Promise<Uint8Array<ArrayBuffer> | null>;
}

/** A camera that looks for codes. */
export interface OpenLabelCamera extends OpenCamera {
  /** Switch its light on or off; null where it has none. */
  light: ((isOn: boolean) => Promise<void>) | null;
  /**
   * Read codes in what the video shows until the camera is closed.
   *
   * @param found - given each look's codes as scanned; null where the reader is not on this tablet
   */
  watch(video: HTMLVideoElement, found: (codes: string[] | null) => void): Promise<void>;
}

/** Reads the codes on packages by the camera, or by a scanner that types like a keyboard. */
export interface LabelScanner {
  /** Null where there is no camera, or nobody allowed it. */
  openCamera(): Promise<OpenLabelCamera | null>;
  /**
   * Call `read` with each code of a hand scanner while `isWanted`, until the returned function is
   * called. Of several that ask the last comes first.
   */
  listen(read: (code: string) => void, isWanted: () => boolean): () => void;
  /** Put the program that reads codes by, for when there is no network; soon, not now. */
  keepReader(): void;
}

/** Draws codes to be read from paper. */
export interface CodeWriter {
  /**
   * Return a QR code of a text, or a GS1 DataMatrix of an element string with AIs in brackets, as
   * SVG; null where the program that draws it is not on this tablet, or the text is none of it.
   */
  draw(kind: 'qr' | 'gs1', text: string): Promise<string | null>;
  /** Put the program by, for when there is no network; soon, not now. */
  keep(): void;
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
  /** Every device of the unit with its last exchange; asks the unit. */
  unitDevices(): Promise<UnitDevicesAnswer>;
  /** Who lacks a next act, checked anew; asks the unit, which tells devices that hold care. */
  followUpCheck(): Promise<FollowUpCheckAnswer>;
  /** Let the unit make letters as the visits stand there now. */
  unitLetters(kind: LetterKind, visits: readonly LetterVisit[]): Promise<UnitLettersAnswer>;
  /** Ask the unit for the reminders that fall due from one civil date to another. */
  unitReminders(fromOn: string, untilOn: string): Promise<UnitRemindersAnswer>;
  /** Ask the unit for sessions for all visits that need one, from one civil date to another. */
  unitProposals(todayOn: string, untilOn: string): Promise<UnitProposalsAnswer>;
  /** Ask the unit what is due, late and seen week by week. */
  unitWeeks(): Promise<UnitWeeksAnswer>;
  /** Ask the unit something else that the clinic needs: closed days, calendars, the failsafe list. */
  askClinic: AskClinic;
  /** What was set aside on this tablet, and forks of its own log; seen to or not. */
  ownAlarms(): Promise<UnitAlarm[]>;
  /** Small facts of this device alone (where it was, who taps): never exchanged. */
  remember(name: string, content: Json): Promise<void>;
  recall(name: string): Promise<Json>;
  /** Take part without a unit, or join one by an invitation code. */
  startAlone(role: DeviceStanding['role']): Promise<DeviceStanding>;
  join(
    code: string,
  ): Promise<{ kind: 'joined'; standing: DeviceStanding } | { kind: 'refused'; sentence: string }>;
  /** Ask the unit whether a device that waits may come in; whatever it says, how it stands now. */
  standingNow(): Promise<DeviceStanding | null>;
  exchangeNow(): Promise<ExchangeStanding>;
  /** Operations that the unit does not hold yet, per case or patient record. */
  unsentRecords(): Promise<string[]>;
  /** Case and patient records that the unit says the hub holds whole; absent where there is none. */
  hubRecords?(): Promise<string[]>;
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
