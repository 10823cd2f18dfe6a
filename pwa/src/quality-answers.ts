/**
 * What a unit's server answers when it is asked what in its own records is to be mended: each rule,
 * also one that found nothing, what it found, and how full the fields are, month by month.
 */

export interface OwnQualityRule {
  rule: string;
  severity: 'stop' | 'caution' | 'note';
  /** Role of who mends it. */
  fixer: string;
  /** What is wrong and what to do, in the words of the rule (English). */
  sentence: string;
  found: number;
}

/** A record that breaks a rule, and what leads a person to it. */
export interface RecordToMend {
  rule: string;
  record: string;
  /** A second record, or the field in which two answers stand; "" for neither. */
  other: string;
  case: string;
  patient: string;
  /** Local number of the patient, "" where there is none. */
  number: string;
  /** Day of treatment, "" where there is none. */
  on: string;
  /** Of two patients that may be one: how likely, and how alike each trait is (English). */
  likeness?: Likeness | null;
}

export interface Likeness {
  per_mille: number;
  traits: readonly (readonly [string, string])[];
}

export interface MonthOfField {
  month: string;
  field: string;
  filled: number;
  /** Two answers stand. */
  disagreed: number;
  of: number;
}

/** `to_mend` is empty for who reads no clinical field, whatever the rules have found. */
export interface OwnQuality {
  as_of_on: string;
  cases: number;
  rules: readonly OwnQualityRule[];
  to_mend: readonly RecordToMend[];
  completeness: readonly MonthOfField[];
}

/** What a desk asks for the quality of a unit's own records. */
export interface QualityQuestions {
  quality: { asks: null; tells: OwnQuality };
}
