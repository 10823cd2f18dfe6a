/**
 * Merge: from the set of operations on one record to the state that people see.
 * Twin of `sync/merge.py`; vectors in `tests/conformance/merge`. A pure function of the set.
 */
import { canonicalText, type JsonContent } from './canonical-text';
import { type FieldPolicy, UNKNOWN_FIELD } from './merge-policies';
import { type Body, decodeBody, type Operation, referenceOf } from './operation';
import { countOnce, type Held } from './reissue';

export interface HeldValue {
  value: JsonContent;
  /** More than one where several people wrote the same (MG3). */
  references: string[];
  by: string;
  stamp: string;
}

export interface FieldState {
  /** Ordered by stamp (by rank for `furthest`), the one to read last. */
  values: HeldValue[];
  isConflict: boolean;
}

export interface RecordState {
  record: string;
  fields: Record<string, FieldState>;
  /** References of operations entered in error, in order of stamp. */
  struck: string[];
  isEnteredInError: boolean;
  /** References of all operations whose values stand, sorted: what a signature digests. */
  heads: string[];
  /** What standing operations replace or retract and is not held yet, sorted (MG11). */
  waiting?: string[];
  /**
   * How many standing operations set a field that the catalogue does not know: entries of a newer
   * version, under which nobody signs (MG12). Absent when there is none, as `waiting` is.
   */
  newer?: number;
}

/** What of an operation a merge looks at. */
export type MergedOperation = Pick<Operation, 'opId' | 'device' | 'stamp' | 'hash' | 'bodyText'>;

/**
 * Return the state of one record (MG1-MG12).
 *
 * @param operations - everything held about it, in any order, repeats allowed; operations whose
 *   body is withheld count for nothing
 * @param policies - field name to policy; unknown fields are decided by a person
 */
export function mergeRecord(
  record: string,
  operations: Iterable<MergedOperation>,
  policies: Readonly<Record<string, FieldPolicy>>,
): RecordState {
  const all = [...operations];
  const alone = all.length === 1 ? stateOfOne(record, all[0] as MergedOperation, policies) : null;
  if (alone !== null) return alone;
  const held = readHeld(all);
  const standing = findStanding(held);
  const gone = new Map<string, Set<string>>();
  const named = new Set<string>();
  for (const reference of standing) {
    const body = bodyOf(held, reference);
    for (const [field, seen] of Object.entries(body.over)) {
      const known = gone.get(field) ?? new Set();
      for (const target of seen) known.add(target);
      gone.set(field, known);
      for (const target of seen) named.add(target);
    }
    for (const target of body.retract) named.add(target);
  }
  for (const one of all) if (one.bodyText === null) named.delete(referenceOf(one));
  const waiting = [...named].filter((reference) => !held.has(reference)).sort();
  const isNewer = (reference: string) =>
    Object.keys(bodyOf(held, reference).set).some((field) => !Object.hasOwn(policies, field));
  const newer = [...standing].filter(isNewer).length;
  const heads = new Map<string, string[]>();
  for (const reference of standing) {
    for (const field of Object.keys(bodyOf(held, reference).set)) {
      if (gone.get(field)?.has(reference)) continue;
      heads.set(field, [...(heads.get(field) ?? []), reference]);
    }
  }
  const setters = [...held].filter(([, { body }]) => Object.keys(body.set).length > 0);
  // Names come from other devices: `fromEntries` and `hasOwn` keep `__proto__` a name like any.
  const fields = Object.fromEntries(
    [...heads]
      .sort(([a], [b]) => (a < b ? -1 : 1))
      .map(([field, references]) => {
        const policy = Object.hasOwn(policies, field) ? policies[field] : undefined;
        return [field, fieldState(field, references, held, policy ?? UNKNOWN_FIELD)];
      }),
  );
  return {
    record,
    fields,
    struck: setters
      .map(([reference]) => reference)
      .filter((reference) => !standing.has(reference))
      .sort(byStamp(held)),
    isEnteredInError: setters.length > 0 && !setters.some(([reference]) => standing.has(reference)),
    heads: [...new Set([...heads.values()].flat())].sort(),
    ...(waiting.length > 0 ? { waiting } : {}),
    ...(newer > 0 ? { newer } : {}),
  };
}

/**
 * Return the state of a record with a single entry, as most have; null where that entry does more
 * than to set fields.
 */
function stateOfOne(
  record: string,
  operation: MergedOperation,
  policies: Readonly<Record<string, FieldPolicy>>,
): RecordState | null {
  if (!isWhole(operation)) return null;
  const { set, over, retract, by, again } = decodeBody(operation.bodyText);
  const names = Object.keys(set);
  if (names.length === 0 || retract.length > 0 || again !== undefined) return null;
  if (Object.keys(over).length > 0) return null;
  const reference = referenceOf(operation);
  const { stamp } = operation;
  const fields = names.sort().map((field): [string, FieldState] => {
    const value = { value: set[field] ?? null, references: [reference], by, stamp };
    return [field, { values: [value], isConflict: false }];
  });
  const isNewer = names.some((field) => !Object.hasOwn(policies, field));
  return {
    record,
    fields: Object.fromEntries(fields),
    struck: [],
    isEnteredInError: false,
    heads: [reference],
    ...(isNewer ? { newer: 1 } : {}),
  };
}

function isWhole<One extends MergedOperation>(
  operation: One,
): operation is One & { bodyText: string } {
  return operation.bodyText !== null;
}

/** Return the operations that count, by reference: of one and its re-issue the first's (MG10). */
export function readHeld(operations: Iterable<MergedOperation>): Map<string, Held> {
  const held = new Map<string, Held>();
  for (const operation of operations) {
    if (!isWhole(operation)) continue;
    const reference = referenceOf(operation);
    if (!held.has(reference))
      held.set(reference, { operation, body: decodeBody(operation.bodyText) });
  }
  return countOnce(held);
}

/**
 * Return the references not retracted by an operation that itself stands (MG9). A circle of retractions, which
 * only a made-up `again` can form, strikes nobody.
 */
export function findStanding(held: ReadonlyMap<string, Held>): Set<string> {
  const retractedBy = new Map<string, string[]>();
  for (const [reference, { body }] of held) {
    for (const target of body.retract) {
      retractedBy.set(target, [...(retractedBy.get(target) ?? []), reference]);
    }
  }
  const stands = new Map<string, boolean>();
  let undecided = [...held.keys()];
  for (let before = -1; before !== undecided.length; ) {
    before = undecided.length;
    const decided = new Map<string, boolean>();
    for (const reference of undecided) {
      const verdicts = (retractedBy.get(reference) ?? []).map((one) => stands.get(one));
      if (verdicts.includes(true)) decided.set(reference, false);
      else if (!verdicts.includes(undefined)) decided.set(reference, true);
    }
    for (const [reference, verdict] of decided) stands.set(reference, verdict);
    undecided = undecided.filter((reference) => !decided.has(reference));
  }
  return new Set([...held.keys()].filter((reference) => stands.get(reference) ?? true));
}

function fieldState(
  field: string,
  references: readonly string[],
  held: ReadonlyMap<string, Held>,
  policy: FieldPolicy,
): FieldState {
  const byText = new Map<string, string[]>();
  for (const reference of [...references].sort(byStamp(held))) {
    const text = canonicalText(bodyOf(held, reference).set[field] ?? null);
    byText.set(text, [...(byText.get(text) ?? []), reference]);
  }
  const latestFirst = byStamp(held);
  const values = [...byText.values()]
    .sort((a, b) => latestFirst(lastOf(a), lastOf(b)))
    .map((same) => {
      const last = lastOf(same);
      return {
        value: bodyOf(held, last).set[field] ?? null,
        references: same,
        by: bodyOf(held, last).by,
        stamp: held.get(last)?.operation.stamp ?? '',
      };
    });
  if (values.length === 1 || policy.merge === 'keep_all' || policy.merge === 'latest') {
    return { values, isConflict: false };
  }
  const rankOf = (one: HeldValue) => policy.rank.indexOf(String(one.value));
  const isRanked = (one: HeldValue) => typeof one.value === 'string' && rankOf(one) >= 0;
  if (policy.merge === 'furthest' && values.every(isRanked)) {
    return { values: [...values].sort((a, b) => rankOf(a) - rankOf(b)), isConflict: false };
  }
  return { values, isConflict: true };
}

/** Order of stamps, then of references; both ASCII, compared by code unit and never by locale. */
function byStamp(held: ReadonlyMap<string, Held>): (a: string, b: string) => number {
  const keys = new Map<string, string>();
  const keyOf = (reference: string): string => {
    const known = keys.get(reference);
    if (known !== undefined) return known;
    const key = `${held.get(reference)?.operation.stamp} ${reference}`;
    keys.set(reference, key);
    return key;
  };
  return (a, b) => (keyOf(a) < keyOf(b) ? -1 : keyOf(a) > keyOf(b) ? 1 : 0);
}

function bodyOf(held: ReadonlyMap<string, Held>, reference: string): Body {
  const found = held.get(reference);
  if (found === undefined) throw new RangeError(`no operation ${reference}`);
  return found.body;
}

function lastOf(references: readonly string[]): string {
  return references.at(-1) ?? '';
}

/** What a plain reader sees: the last value, or null while a conflict is open. */
export function shownValue(field: FieldState | null | undefined): JsonContent {
  if (!field || field.isConflict) return null;
  return field.values.at(-1)?.value ?? null;
}
