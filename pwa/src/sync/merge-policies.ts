/** The four ways in which concurrent values live together (SPEC MG4-MG7); twin of `merge_policies.py`. */

export type MergePolicy = 'ask_a_person' | 'keep_all' | 'furthest' | 'latest';

export interface FieldPolicy {
  merge: MergePolicy;
  /** Values from least to furthest; for `furthest` only. */
  rank: readonly string[];
}

/** MG8: a field the catalogue does not know (yet) is never decided by the program. */
export const UNKNOWN_FIELD: FieldPolicy = { merge: 'ask_a_person', rank: [] };
