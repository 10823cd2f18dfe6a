/**
 * What the app needs from the device, the store and the network, by name only.
 * `main.ts` hands in the real ones; tests hand in others.
 */
import type { AskClinic } from './clinic-questions';
import type { KeyStanding } from './key-keeper';
import type { JsonContent } from './sync/canonical-text';
import type { RecordState } from './sync/merge';
import type {
  FollowUpCheckAnswer,
  LetterKind,
  LetterVisit,
  PlanChecksAnswer,
  UnitAlarm,
  UnitAlarmsAnswer,
  UnitDevicesAnswer,
  UnitLettersAnswer,
  UnitProposalsAnswer,
  UnitRemindersAnswer,
  UnitWeeksAnswer,
} from './unit-answers';

export type * from './key-keeper';
export type { FieldState, HeldValue, RecordState } from './sync/merge';
export type * from './unit-answers';

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

/** Which of `joined` devices this is; a device that has not joined works alone. */
export interface DeviceStanding {
  device: string;
  role: 'bedside' | 'booking';
  joined: boolean;
  unitName: string;
  /** By which people at the unit know this device; left out where the unit has not told it. */
  name?: string;
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
   * Return a QR code of a text, or a DataMatrix of GS1 with AIs in square brackets or of HIBC, as
   * SVG; null where the program that draws it is not on this tablet, or the text is none of it.
   */
  draw(kind: 'qr' | 'matrix', text: string): Promise<string | null>;
  /** Put the program by, for when there is no network; soon, not now. */
  keep(): void;
}

/** Who has saved a file of records. */
export interface SavedBy {
  /** `staff/<id>`, "" where nobody is known. */
  person: string;
  role: string;
  /** By their PIN; not so only where nobody has one here. */
  isConfirmed: boolean;
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
  /** Put operations into one file (`unsent`: own ones that the unit does not hold); it is noted. */
  saveToFile(
    scope: 'all' | 'unsent',
    by: SavedBy,
  ): Promise<{ bytes: Uint8Array<ArrayBuffer>; operations: number }>;
  /** Take in such a file; the sentence says why not. */
  openFile(
    bytes: Uint8Array,
  ): Promise<{ kind: 'taken-in'; taken: TakenIn } | { kind: 'refused'; sentence: string }>;
  onRecords(listener: (records: string[]) => void): () => void;
  onExchange(listener: (standing: ExchangeStanding) => void): () => void;
}
