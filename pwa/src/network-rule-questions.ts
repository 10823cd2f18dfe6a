/** What the desk of the network asks its hub of rule files: write, approve, send, withdraw. */

/** What a version is compared with; never a draft (WD8). */
export interface ComparedWith {
  version: number | null;
  standing: 'in force' | 'before' | 'built-in' | 'none';
  /** That version was offered to the units and withdrawn. */
  is_withdrawn: boolean;
}
export interface RuleFileChanges {
  file: string;
  version: number;
  against: ComparedWith;
  sentences: readonly string[];
}

/** Where a version stands in the own release of whoever holds it; '' where it is not held. */
export type HeldStanding = '' | 'draft' | 'approved' | 'in force' | 'retired';

/** A version that was offered, at one unit; `here` is null of a unit that does not tell it. */
export interface RuleFileAtUnit {
  unit: string;
  name: string;
  came_ms: number | null;
  answer: 'none' | 'taken' | 'set-aside' | 'withdrawn' | 'new';
  answered_ms: number | null;
  here: HeldStanding | null;
  since_on: string;
  /** It computes there: in force, or in training a draft. */
  is_counting: boolean;
  reported_ms: number | null;
}
export interface SentRuleFile {
  record: string;
  file: string;
  version: number;
  sent_ms: number;
  sent_by_name: string;
  because: string;
  is_withdrawn: boolean;
  withdrawn_ms: number | null;
  withdrawn_because: string;
  units: readonly RuleFileAtUnit[];
}

/** One version as the hub holds it; `may_send` once two people of the hub have approved it. */
export interface RuleVersion {
  version: number;
  standing: string;
  approvers: readonly { by: string; name: string; role: string }[];
  people_missing: number;
  needs_endoscopist: boolean;
  /** Written by the network, not brought by the program. */
  is_own: boolean;
  is_sent: boolean;
  is_withdrawn: boolean;
  may_send: boolean;
}
/** Which version of a file counts at a unit, by its last report. */
export interface CountingVersion {
  unit: string;
  name: string;
  version: number | null;
  is_training: boolean | null;
  reported_ms: number | null;
}
export interface RuleFileVersions {
  file: string;
  /** What the source of the file calls it. */
  title: string;
  versions: readonly RuleVersion[];
  at_units: readonly CountingVersion[];
}
export interface NetworkRuleFiles {
  files: readonly RuleFileVersions[];
  sent: readonly SentRuleFile[];
}

/** Every question of rule files at the hub. */
export interface NetworkRuleQuestions {
  'rule-files': { asks: null; tells: NetworkRuleFiles };
  'rule-file-changes': { asks: { file: string; version: number }; tells: RuleFileChanges };
  'rule-file-text': {
    asks: { file: string };
    tells: { file: string; version: number; based_on: ComparedWith; text: string };
  };
  'check-rule-file': {
    asks: { text: string };
    tells: { faults: readonly string[]; changes: RuleFileChanges | null };
  };
  'draft-rule-file': { asks: { text: string }; tells: NetworkRuleFiles };
  'approve-rule-file': { asks: { file: string; version: number }; tells: NetworkRuleFiles };
  'send-rule-file': {
    asks: { file: string; version: number; because: string };
    tells: NetworkRuleFiles;
  };
  'withdraw-rule-file': {
    asks: { file: string; version: number; because: string };
    tells: NetworkRuleFiles;
  };
}
