/**
 * What the desk of the network asks of its hub. No name of a patient exists there: patients are told
 * by their pseudonyms alone (SEC-24).
 */

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
  act: 'proposed' | 'agreed' | 'joined' | 'reopened' | 'parted' | 'set-aside' | 'answered';
  because: string;
}

/** A proposal that two patients of two units are one person. */
export interface NetworkLink {
  link: string;
  state: LinkState;
  probability_per_mille: number;
  traits: readonly LinkTrait[];
  a: LinkSide;
  b: LinkSide;
  answers: readonly { unit: string; unit_name: string; answer: LinkAnswer; at_ms: number }[];
  agreed: readonly { staff: string; name: string; at_ms: number }[];
  may_agree: boolean;
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

/** What the hub counts of a notice at one unit, before anybody there has looked. */
export interface RecallCount {
  unit: string;
  name: string;
  counted: HeldCount;
  unknown: HeldCount;
}
export interface RecallAtUnit extends RecallCount {
  answer: RecallAnswer;
  found_cases: number | null;
  found_patients: number | null;
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
  severity: 'stop' | 'caution' | 'note';
  /** The role of whoever mends it. */
  fixer: string;
  sentence: string;
}
export type RuleCounts = Readonly<Record<string, HeldCount>>;
export interface NetworkQuality {
  as_of_ms: number;
  rules: readonly QualityRule[];
  units: readonly { unit: string; name: string; cases: HeldCount; counts: RuleCounts }[];
  over_time: readonly { on: string; unit: string; counts: RuleCounts }[];
  completeness: readonly { unit: string; field: string; filled: HeldCount; of: HeldCount }[];
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
    k: number;
    files: readonly { name: string; bytes: number; sha256: string }[];
  } | null;
}

/** A version of a rule file, and at which units it has arrived. */
export interface SentRuleFile {
  record: string;
  file: string;
  version: number;
  sent_ms: number;
  sent_by_name: string;
  because: string;
  is_withdrawn: boolean;
  units: readonly {
    unit: string;
    name: string;
    came_ms: number | null;
    answer: 'none' | 'taken' | 'set-aside' | 'withdrawn' | 'new';
  }[];
}
/** One version as the hub holds it; `may_send` once two people of the hub have approved it. */
export interface RuleVersion {
  version: number;
  standing: string;
  is_sent: boolean;
  may_send: boolean;
}
export interface NetworkRuleFiles {
  files: readonly {
    file: string;
    versions: readonly RuleVersion[];
  }[];
  sent: readonly SentRuleFile[];
}

/** Every question of the network: what is sent along, and what is answered. */
export interface NetworkQuestions {
  fleet: { asks: null; tells: { as_of_ms: number; units: readonly FleetUnit[] } };
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
    asks: { link: string; act: 'agree' | 'set-aside' | 'part'; because: string };
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
  'network-quality': { asks: null; tells: NetworkQuality };
  exports: { asks: null; tells: { exports: readonly NetworkExport[] } };
  'ask-export': {
    asks: { project: string; purpose: string; from_on: string; until_on: string };
    tells: { exports: readonly NetworkExport[] };
  };
  'decide-export': {
    asks: { export: string; decision: 'approve' | 'refuse'; because: string };
    tells: { exports: readonly NetworkExport[] };
  };
  'rule-files': { asks: null; tells: NetworkRuleFiles };
  'rule-file-changes': {
    asks: { file: string; old: number; new: number };
    tells: { sentences: readonly string[] };
  };
  'send-rule-file': {
    asks: { file: string; version: number; because: string };
    tells: NetworkRuleFiles;
  };
}
