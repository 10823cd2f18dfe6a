/** What the clinic asks of the unit beside the record, and what the unit answers. */
import type { Group, Search } from './clinical-rules/implant-search';
import type { StockAnswer } from './clinical-rules/stock-counts';

/** One public holiday; its name is English. */
export interface ClosedDay {
  on: string;
  name: string;
}

/** Holidays of the unit's country from one civil date to another; `country` is "" where none is named. */
export interface ClosedDays {
  country: string;
  subdivision: string;
  from_on: string;
  until_on: string;
  days: ClosedDay[];
}

/** A calendar feed, without the token that opens it; instants in wall milliseconds of the server. */
export interface CalendarFeed {
  id: string;
  scope: 'place' | 'person';
  /** The place, or the record of the person. */
  name: string;
  made_ms: number;
  revoked_ms: number | null;
}

/** Somebody treated and without a visit to come. */
export interface FailsafePatient {
  patient: string;
  cases: string[];
  number: string;
  name: string;
  born_on: string;
  phone: string;
  treated_on: string;
  last_on: string;
  why: 'only-past' | 'no-visit' | 'all-over' | 'ended';
  ended_because: string[];
}

export interface FailsafeReview {
  as_of_on: string;
  listed: number;
  list_hash: string;
  prepared_by: string;
  signed_by: string;
}

export interface FailsafeList {
  as_of_on: string;
  list_hash: string;
  patients: FailsafePatient[];
  treated: number;
  csv: string;
  last_review: FailsafeReview | null;
}

/** One implant or package in one case, "" for what is not known; `marks` say what is odd. */
export interface UnitImplant {
  group: Group;
  differs: string[];
  record: string;
  item: string;
  fate: string;
  /** Record of its stock item, "" where nobody said. */
  stock?: string;
  identifier: string;
  lot: string;
  serial: string;
  expires_on: string;
  on_day: string;
  site: string;
  recorded_on: string;
  case: string;
  patient: string;
  number: string;
  name: string;
  born_on: string;
  marks: string[];
}

/** Each question with what it says and what it is answered. */
export interface ClinicExchange {
  /** Every lot that the unit counts; no patient is named. */
  stock: { asks: null; told: StockAnswer & { names: Record<string, string> } };
  /** Who has a device; the unit writes down who asked and why. */
  implants: {
    asks: {
      search: Search;
      by: string;
      because: string;
      /** `lot_search/<id>` by which this device has recorded the search. */
      entry: string;
      with_letters: boolean;
      with_pdf: boolean;
    };
    told: {
      found: { implants: UnitImplant[]; found: number; unknown: number; cautions: string[] };
      /** `page` is 0 and `withheld` says why where there is no letter; PDF in base64. */
      letters: {
        letters: { page: number; withheld: string; is_draft: boolean }[];
        csv: string;
        pdf: string | null;
      } | null;
    };
  };
  'closed-days': { asks: null; told: ClosedDays };
  calendars: { asks: null; told: { calendars: CalendarFeed[] } };
  /** `name` is a place, or `staff/<id>`; the token is told this one time. */
  'make-calendar': {
    asks: { scope: CalendarFeed['scope']; name: string };
    told: { id: string; token: string };
  };
  'close-calendar': { asks: { calendar: string }; told: { calendars: CalendarFeed[] } };
  'failsafe-list': { asks: null; told: FailsafeList };
  /** PDF in base64, of a case's id without the kind. */
  paper: {
    asks: { document: string; case: string; language: string };
    told: { pdf: string; language: string; is_draft: boolean };
  };
  /** PDF in base64. */
  'failsafe-paper': { asks: null; told: { as_of_on: string; list_hash: string; pdf: string } };
  'sign-failsafe': {
    asks: { prepared_by: string; signed_by: string; list_hash: string };
    told: FailsafeList;
  };
}
export type ClinicQuestion = keyof ClinicExchange;

/** Where the unit answers each. */
export const CLINIC_PATHS: Readonly<Record<ClinicQuestion, string>> = {
  stock: '/api/stock',
  implants: '/api/implants/find',
  'closed-days': '/api/closed-days',
  calendars: '/api/calendars',
  'make-calendar': '/api/calendars',
  'close-calendar': '/api/calendar-revocations',
  'failsafe-list': '/api/failsafe-list',
  paper: '/api/papers',
  'failsafe-paper': '/api/failsafe-paper',
  'sign-failsafe': '/api/failsafe-reviews',
};

/** What the unit said, or why it could not be asked; the sentence is "" on a device without a unit. */
export type ClinicAnswer<Question extends ClinicQuestion> =
  | ({ kind: 'told' } & ClinicExchange[Question]['told'])
  | { kind: 'not-told'; sentence: string };

/** Asks the unit; a question that says nothing is asked with null. */
export type AskClinic = <Question extends ClinicQuestion>(
  question: Question,
  asks: ClinicExchange[Question]['asks'],
) => Promise<ClinicAnswer<Question>>;
