/**
 * What the unit desk asks of the unit's server on behalf of who is logged in there. The desk needs
 * no store of this device; the browser shows the session's cookie by itself and no script sees it.
 */
import type { NetworkHereQuestions } from './network-here-questions';
import type { NetworkQuestions } from './network-questions';
import type { OutcomeQuestions } from './outcome-answers';
import type { QualityQuestions } from './quality-answers';

export type DeskRole =
  | 'endoscopist'
  | 'assistant'
  | 'anaesthetist'
  | 'booking'
  | 'data-manager'
  | 'unit-admin'
  | 'auditor'
  | 'training';

/** Who is logged in. Times are milliseconds. */
export interface DeskPerson {
  staff: string;
  name: string;
  login: string;
  role: DeskRole;
  began_ms: number;
  idle_ms: number;
  longest_ms: number;
  /**
   * No signed end of the logs has left for its place outside for more than a day; told to who sees
   * to it. Absent at an older server.
   */
  heads_late?: boolean;
}

/** What a device last told of itself; null is what it does not know. */
export interface DeviceTold {
  ago_ms: number;
  build: string | null;
  is_other_build: boolean | null;
  /** Version of the exchange that it speaks (EX24). Absent at an older server. */
  protocol?: number | null;
  is_other_protocol?: boolean | null;
  has_other_rules: boolean | null;
  unsent: number | null;
  unsent_pictures: number | null;
  is_kept: boolean | null;
  used_bytes: number | null;
  quota_bytes: number | null;
}

export interface DeskDevice {
  id: string;
  name: string;
  /** A hub knows units alone, a unit the others. */
  role: 'bedside' | 'booking' | 'unit';
  joined_ms: number;
  last_contact_ms: number | null;
  /** Its clock less the server's, at its last exchange. */
  clock_offset_ms?: number | null;
  silent_ms: number;
  silence: 'none' | 'silent' | 'escalated';
  is_waiting: boolean;
  /**
   * How its asking for its data key stands (SE4): `asked` until its digits were compared, `open`
   * for ten minutes after that, `over` where it fetched none in them. Absent at an older unit.
   */
  recovery?: 'none' | 'asked' | 'open' | 'over' | 'refused';
  /** Null or absent where it told nothing. */
  told?: DeviceTold | null;
}

/** One person as the unit keeps people; `role` is what the record says, "" while two answers stand. */
export interface DeskStaff {
  staff: string;
  name: string;
  role: DeskRole | '';
  is_active: boolean;
  login: string;
  given_role: DeskRole | '';
  has_password: boolean;
  has_second_factor: boolean;
  sessions: number;
}

export interface DeskSession {
  session: string;
  began_ms: number;
  used_ms: number;
  is_this: boolean;
}

/** One line of the trail of access. */
export interface AccessLine {
  seq: number;
  at_ms: number;
  asker: string;
  who: string;
  role: string;
  device: string;
  verb: string;
  object: string;
  records: readonly string[];
  why: string;
  outcome: string;
}

/** Alike accesses to whole streams or lists, of which nobody noted whom they named. */
export interface WideAccess {
  asker: string;
  who: string;
  role: string;
  device: string;
  verb: string;
  object: string;
  /** The stream or list, where the notes say one. */
  part: string;
  times: number;
  first_ms: number;
  last_ms: number;
}

/** How many of one class are held, and which are due by the unit's own rule. */
export interface RetentionClass {
  id: string;
  meaning: string;
  keep_years: number | null;
  held: number;
  oldest_on: string;
  due: readonly string[];
  due_count: number;
}

/** A second factor, told this one time: to type, for an app to read, and what goes back with it. */
export interface OfferedFactor {
  login: string;
  secret: string;
  address: string;
  offer: string;
}

/** Every question: what is sent along, and what is answered. */
export interface DeskQuestions
  extends NetworkQuestions,
    NetworkHereQuestions,
    OutcomeQuestions,
    QualityQuestions {
  /** `offer` where the code is of a second factor that was offered just now; it is kept by that. */
  'log-in': {
    asks: { login: string; password: string; code: string; offer?: string };
    tells: DeskPerson;
  };
  /** For who has a password alone: every log-in has a second factor. */
  'offer-factor': { asks: { login: string; password: string }; tells: OfferedFactor };
  who: { asks: null; tells: DeskPerson };
  'log-out': { asks: null; tells: null };
  'first-log-in': {
    asks: { code: string; password: string };
    tells: { login: string; secret: string; address: string };
  };
  'change-password': {
    asks: { password: string; new_password: string; code: string };
    tells: DeskPerson;
  };
  sessions: { asks: null; tells: { sessions: DeskSession[] } };
  'end-sessions': {
    asks: { session: string; password: string };
    tells: { sessions: DeskSession[] };
  };
  devices: { asks: null; tells: { devices: DeskDevice[] } };
  /** `name` is "" for the next number; what is told back is the name that the device will bear. */
  invite: {
    asks: { role: DeskDevice['role']; name: string };
    tells: { code: string; fragment: string; name: string };
  };
  confirm: { asks: { device: string; fingerprint: string }; tells: { device: string } };
  revoke: { asks: { device: string; is_lost: boolean }; tells: { ends: unknown[] } };
  rename: { asks: { device: string; name: string }; tells: { device: string; name: string } };
  'refuse-key': { asks: { device: string }; tells: { device: string } };
  people: { asks: null; tells: { people: DeskStaff[] } };
  'add-person': {
    asks: { name: string; role: DeskRole; login: string };
    tells: { people: DeskStaff[]; added: string };
  };
  'change-person': {
    asks: { staff: string; change: 'role' | 'leave' | 'return' | 'end-log-ins'; role: string };
    tells: { people: DeskStaff[] };
  };
  'make-code': {
    asks: { staff: string; opens: 'tablet' | 'log-in' };
    tells: { staff: string; code: string; expires_ms: number };
  };
  trail: {
    asks: { patient: string; person: string; device: string; from_on: string; to_on: string };
    tells: {
      events: AccessLine[];
      names: Record<string, string>;
      more: boolean;
      may_have_held: WideAccess[];
    };
  };
  retention: { asks: null; tells: { on: string; classes: RetentionClass[] } };
  /** By record or local number. `about` is saved as it is; `pdf` is base64, '' where printing failed. */
  'patient-export': {
    asks: { patient: string; why: string };
    tells: { about: AboutPatient; pdf: string; trouble: string };
  };
}
/** The record of the patient, all under it, and the SHA-256 of each picture that is held. */
export interface AboutPatient {
  patient: string;
  records: readonly unknown[];
  pictures: readonly string[];
}
export type DeskQuestion = keyof DeskQuestions;

/** `logged-out` where nobody is logged in any more; `not-told` with the reason, else the answer. */
export type DeskAnswer<Question extends DeskQuestion> =
  | { kind: 'told'; answer: DeskQuestions[Question]['tells'] }
  | { kind: 'logged-out'; sentence: string }
  | { kind: 'not-told'; sentence: string };

/** Asks the unit's server as whoever is logged in. */
export interface DeskPort {
  ask<Question extends DeskQuestion>(
    question: Question,
    asks: DeskQuestions[Question]['asks'],
  ): Promise<DeskAnswer<Question>>;
}
