/**
 * What storage, network and device tell a person: a code with its values, which `text/told.ts` says
 * in the language spoken now.
 *
 * It travels as one text, because it also lies in rows of the store, in messages of errors and
 * between threads. A text that is no such code is a sentence as the unit's server, an engine or an
 * older version of the app wrote it: English.
 */

/**
 * Every code, with its values; `why` and `also` are told too, or a cause
 * as the browser names it.
 */
export interface ToldValues {
  // --- saving
  notSaved: { why: string };
  diskRefused: { why: string };
  stopped: { why: string };
  notSetUp: None;
  nobodyTaps: None;
  draftElsewhere: { draft: string };
  unknownKind: { kind: string };
  noFindings: None;
  // --- opening the store
  notOpen: None;
  notStarted: { why: string };
  unreadable: { why: string };
  cannotOpen: { why: string };
  damaged: { why: string };
  unsafeDisk: None;
  newerApp: None;
  reload: None;
  openedLate: None;
  // --- keys and PINs
  pinDigits: { fewest: number; most: number };
  pinCommon: None;
  pinNeeded: None;
  lastPerson: None;
  ringFull: None;
  emergencyKept: { why: string };
  emergencyShut: { why: string };
  stillPlain: None;
  noShare: None;
  freshCodeNeeded: None;
  keyRefused: None;
  keyNotReturned: None;
  startedAnew: None;
  wipedByUnit: { count: number };
  // --- several windows
  otherWindow: None;
  readsOnly: { at: At; place: string };
  readsOnlyNow: { at: At; place: string; also: string };
  onlyWriter: None;
  windowSilent: None;
  // --- pictures
  noPictures: None;
  noPicture: None;
  pictureTooLarge: None;
  pictureRefused: { why: string };
  pictureDamaged: None;
  pictureNotSent: { why: string };
  pictureAltered: None;
  pictureStays: None;
  noDrawing: None;
  noRoom: None;
  // --- what was set aside
  forked: None;
  setAside: { count: number; why: string };
  altered: { entry: string };
  alteredAlone: { entry: string };
  otherStream: { entry: string; stream: string };
  twoVersions: { device: string; entry: string };
  twoVersionsAtUnit: { device: string; entry: string };
  droppedVersion: { entry: string };
  misplaced: { entry: string };
  contradicts: { entry: string };
  copyOfOther: { device: string };
  forServer: { entry: string };
  // --- the unit's older copy, the second copy
  unitOlder: { count: number };
  unitOther: { count: number };
  repairedAltered: { count: number };
  repairedLost: { count: number; rest: 'unit' | 'other' };
  repairedOlder: { count: number };
  repairedCopy: { count: number };
  recordsGone: { device: string };
  copyTrouble: { why: string };
  // --- files
  nothingTaken: { why: string };
  fileNotSetUp: None;
  fileTooLarge: { bytes: number };
  fileBroken: { why: string };
  fileForeign: None;
  fileFormat: { format: number; reads: number };
  fileTables: None;
  fileManifest: None;
  fileChanged: None;
  fileText: None;
  // --- the unit
  notJoined: { why: string };
  joinUnanswered: None;
  exchangeStopped: { why: string };
  keyLost: None;
  waitsForDigits: { digits: string };
  brokenChain: None;
  answerCut: None;
  unreachable: None;
  unitFailed: { status: number };
  unitRefused: { status: number };
}

type None = Readonly<Record<string, never>>;
/** Whether it is known which place the writing window shows. */
type At = 'place' | 'other';
export type ToldCode = keyof ToldValues;

export interface Told {
  code: ToldCode;
  values: Readonly<Record<string, string | number>>;
}

const MARK = 'told:';

/** Return a code with its values as one text. */
export function tell<Code extends ToldCode>(
  code: Code,
  ...[values]: ToldValues[Code] extends None ? [] : [ToldValues[Code]]
): string {
  return `${MARK}${code}${values === undefined ? '' : ` ${JSON.stringify(values)}`}`;
}

/** Return what was told, null for a text that is no code. */
export function readTold(text: string): Told | null {
  if (!text.startsWith(MARK)) return null;
  const [code = '', ...values] = text.slice(MARK.length).split(' ');
  try {
    const held = values.length === 0 ? {} : (JSON.parse(values.join(' ')) as Told['values']);
    return { code: code as ToldCode, values: held };
  } catch {
    // A row that was cut off: it is shown as it lies there.
    return null;
  }
}

/** Return why something failed, as an error says it. */
export function whyOf(error: unknown): string {
  return error instanceof Error ? error.message : String(error);
}
