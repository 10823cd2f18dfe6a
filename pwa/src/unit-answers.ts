/** What the unit answers when it is asked: plans checked again, alarms, devices, the clinic. */
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
 * what the unit does not hold (EX21), `withdrawn-rules` where a rule file counts that the network
 * has withdrawn (WD5).
 */
export interface UnitAlarm {
  /** How a decision speaks of it (CF5). */
  name: string;
  kind: 'fork' | 'set-aside' | 'damaged' | 'older-copy' | 'withdrawn-rules';
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
