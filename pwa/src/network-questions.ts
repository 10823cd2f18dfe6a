/**
 * What the desk of the network asks of its hub. No name of a patient exists there: patients are told
 * by their pseudonyms alone (SEC-24).
 */

import type { NetworkRuleQuestions } from './network-rule-questions';

/** How long ago a unit or a device was heard of. */
export type Silence = 'none' | 'silent' | 'escalated';

/** A count, null where it is smaller than the hub shows. */
export type HeldCount = number | null;

export interface FleetDevice {
  /** A pseudonym. */
  device: string;
  last_contact_ms: number | null;
  silence: Silence;
  build: string;
  /** Version of the exchange that it speaks (EX24). Absent at an older hub. */
  protocol?: number | null;
  unsent: number | null;
  clock_offset_ms: number | null;
  storage: 'kept' | 'may-be-cleared' | 'unknown';
}

/** One unit as the hub knows it; `reported_ms` is when its last report came. */
export interface FleetUnit {
  unit: string;
  name: string;
  is_waiting: boolean;
  joined_ms: number;
  last_contact_ms: number | null;
  silence: Silence;
  reported_ms: number | null;
  build: string;
  /** Version of the exchange that it speaks, "" where it told none. Absent at an older hub. */
  protocol?: string;
  unsent: number | null;
  clock_offset_ms: number | null;
  cases: HeldCount;
  devices: readonly FleetDevice[];
}

/** What a pair of records agrees in, and how far, as the linker says it. */
export interface LinkTrait {
  trait: string;
  level: string;
}
export interface LinkSide {
  patient: string;
  unit: string;
  unit_name: string;
  birth_year: number | null;
  sex: string;
  cases: number;
}
export type LinkAnswer = 'same' | 'not-same' | 'cannot-tell';
export type LinkState = 'proposed' | 'joined' | 'parted';

export interface LinkEvent {
  at_ms: number;
  staff: string;
  name: string;
  act:
    | 'proposed'
    | 'agreed'
    | 'joined'
    | 'reopened'
    | 'part-asked'
    | 'parted'
    | 'set-aside'
    | 'taken-back'
    | 'answered';
  because: string;
}

export type LinkAct = 'agree' | 'set-aside' | 'part' | 'take-back' | 'reopen';

/** A person of the network who said something of a pair, and why. */
export interface LinkVoice {
  staff: string;
  name: string;
  at_ms: number;
  because: string;
}

/**
 * A score taken apart, in whole tenths of a point: ten double the odds that it is one person. Null is
 * not weighed: the hub's weights know no such field or level.
 */
export interface LinkWeighing {
  weights: string;
  version: number;
  others: number;
  elsewhere_per_mille: number;
  start_tenths: number;
  fields: readonly (LinkTrait & { tenths: number | null })[];
  sum_tenths: number | null;
  per_mille: number | null;
  is_sure: boolean;
  shown_from_tenths: number;
  shown_from_per_mille: number;
  identifiers: readonly string[];
  identifiers_needed: number;
}

/** A proposal that two patients of two units are one person. */
export interface NetworkLink {
  link: string;
  state: LinkState;
  probability_per_mille: number;
  traits: readonly LinkTrait[];
  weighing: LinkWeighing;
  a: LinkSide;
  b: LinkSide;
  answers: readonly { unit: string; unit_name: string; answer: LinkAnswer; at_ms: number }[];
  agreed: readonly LinkVoice[];
  /** Who said that the joined pair is to be parted, or parted it. */
  parting: readonly LinkVoice[];
  may_agree: boolean;
  may_part: boolean;
  may_take_back: boolean;
  may_reopen: boolean;
  history: readonly LinkEvent[];
}

/** What a notice names; what is left out narrows nothing. */
export interface RecallCriteria {
  identifier?: string;
  lots?: readonly string[];
  expires_from?: string;
  expires_to?: string;
}
export type RecallItem = '' | 'coil' | 'needle' | 'adhesive';
export type RecallAnswer = 'none' | 'acknowledged' | 'searched' | 'closed' | 'not-heeded';

/**
 * What the hub counts of a notice at one unit, before anybody there has looked: devices that it
 * names, look-alikes and those one sign off, and those of unknown lot.
 */
export interface RecallCount {
  unit: string;
  name: string;
  exact: number;
  near: number;
  unknown: number;
}
export interface RecallAtUnit extends RecallCount {
  answer: RecallAnswer;
  found_cases: number | null;
  found_patients: number | null;
  /** Of whom so many bear the very device, and so many a near one alone; null: not told apart. */
  exact_patients: number | null;
  near_patients: number | null;
  unknown_lots: number | null;
  on_shelf: number | null;
  answered_ms: number | null;
  waiting_days: number;
  /** More cases were reported than the unit answered with: it has to look again. */
  is_behind: boolean;
}
export interface NetworkRecall {
  notice: string;
  state: 'in-force' | 'withdrawn';
  item: RecallItem;
  criteria: RecallCriteria;
  reason: string;
  issued_on: string;
  written_by_name: string;
  written_ms: number;
  withdrawn_ms: number | null;
  because: string;
  units: readonly RecallAtUnit[];
}

export interface QualityRule {
  rule: string;
  /** What one finding of it is: a case, a coil, a pair. */
  counts: string;
  severity: 'stop' | 'caution' | 'note';
  /** The role of whoever mends it. */
  fixer: string;
  /** What is wrong, and what is done about it at the unit (English). */
  finding: string;
  act: string;
}
export type RuleCounts = Readonly<Record<string, HeldCount>>;
/** What a rule found in all units; a count that is held back stands in it as one. */
export interface RuleTotal {
  rule: string;
  found: number;
  is_least: boolean;
  units: number;
}
export interface NetworkQuality {
  as_of_ms: number;
  rules: readonly QualityRule[];
  totals: readonly RuleTotal[];
  /** A page, by name; `more` where others follow. */
  units: readonly { unit: string; name: string; cases: HeldCount; counts: RuleCounts }[];
  more: boolean;
  /** Every unit; with the first page of all rules alone. */
  names: readonly { unit: string; name: string }[];
  /** Sums of a week of so many units; of rules in `at_least` some count is held back. */
  over_time: readonly {
    on: string;
    units: number;
    counts: Readonly<Record<string, number>>;
    at_least: readonly string[];
  }[];
  /** Of the one unit that is asked for. */
  completeness: readonly { unit: string; field: string; filled: HeldCount; of: HeldCount }[];
}
/** What is left empty narrows nothing. */
export interface QualityAsk {
  unit?: string;
  rule?: string;
  /** The unit after which the page begins. */
  after?: string;
}

/** What an export would hold; counts are to the nearest five, null where too few to tell. */
export interface ExportOutlook {
  export: string;
  tables: readonly {
    name: string;
    rows: number | null;
    columns: readonly {
      column: string;
      meaning: string;
      unit: string;
      is_quasi_identifier: boolean;
    }[];
    /** What the hub holds and no column tells. */
    left_out: readonly string[];
  }[];
  /** In English, as the files say it. */
  never: string;
  k: number;
  /** null of no export in particular, and where it cannot be made: `sentence` says why. */
  counts: {
    patients: number;
    units: readonly { name: string; patients: number | null }[];
    told_of_each: string;
    held_back: number | null;
    missing: number;
    fields: number;
  } | null;
  earlier: number;
  sentence: string;
}

export interface NetworkExport {
  export: string;
  project: string;
  purpose: string;
  from_on: string;
  until_on: string;
  asked_by: string;
  asked_by_name: string;
  asked_ms: number;
  state: 'asked' | 'approved' | 'refused' | 'made' | 'failed';
  decided_by_name: string;
  decided_ms: number | null;
  because: string;
  may_decide: boolean;
  manifest: {
    made_ms: number;
    rows: number;
    held_back: number;
    missing: number;
    /** null of an export of a release that did not count them. */
    fields: number | null;
    generalised_to: string;
    k: number;
    files: readonly { name: string; bytes: number; sha256: string }[];
  } | null;
}

/** One act of a person of the hub that was lost with its store and lies aside. */
export interface AsideWord {
  record: string;
  kind: 'recall' | 'rule-file' | 'link';
  act: 'begun' | 'offered' | 'withdrawn' | 'agreed' | 'joined' | 'parting' | 'parted' | 'changed';
  at_ms: number;
  by_name: string;
  because: string;
  item: RecallItem;
  criteria: RecallCriteria;
  issued_on: string;
  file: string;
  version: number;
  unit_names: readonly string[];
}

/** What the people of a hub that was put back have to look at. */
export interface NetworkAside {
  put_back_ms: number | null;
  /** Its units may still bring what it lacks. */
  is_open: boolean;
  words: readonly AsideWord[];
  more: number;
  of_units: number;
  forks: number;
  damaged: number;
  waiting: number;
}

/** Every question of the network: what is sent along, and what is answered. */
export interface NetworkQuestions extends NetworkRuleQuestions {
  /** `protocol` is the version of the exchange that the hub speaks (EX24). */
  fleet: {
    asks: null;
    tells: { as_of_ms: number; units: readonly FleetUnit[]; protocol?: string };
  };
  'network-aside': { asks: null; tells: NetworkAside };
  links: {
    asks: { state: LinkState };
    tells: {
      open: number;
      more: boolean;
      links: readonly NetworkLink[];
      findings: readonly { patients: readonly string[]; why: string }[];
    };
  };
  'link-act': {
    asks: { link: string; act: LinkAct; because: string };
    tells: { link: NetworkLink };
  };
  recalls: { asks: null; tells: { notices: readonly NetworkRecall[] } };
  'count-recall': {
    asks: { criteria: RecallCriteria; item: RecallItem };
    tells: { units: readonly RecallCount[]; cautions: readonly string[] };
  };
  'add-recall': {
    asks: {
      criteria: RecallCriteria;
      item: RecallItem;
      reason: string;
      issued_on: string;
      to: readonly string[];
    };
    tells: { notices: readonly NetworkRecall[] };
  };
  'end-recall': {
    asks: { notice: string; because: string };
    tells: { notices: readonly NetworkRecall[] };
  };
  'network-quality': { asks: QualityAsk | null; tells: NetworkQuality };
  exports: { asks: null; tells: { exports: readonly NetworkExport[] } };
  'ask-export': {
    asks: { project: string; purpose: string; from_on: string; until_on: string };
    tells: { exports: readonly NetworkExport[] };
  };
  /** Of one that waits; "" for what every export holds. */
  'export-outlook': { asks: { export: string }; tells: ExportOutlook };
  'decide-export': {
    asks: { export: string; decision: 'approve' | 'refuse'; because: string };
    tells: { exports: readonly NetworkExport[] };
  };
}
