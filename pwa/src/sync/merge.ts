/**
 * Merge: from the set of operations on one record to the state that people see.
 * Twin of `sync/merge.py`; vectors in `tests/conformance/merge`. A pure function of the set.
 */
import { canonicalText, type JsonContent } from './canonical-text';
import { type FieldPolicy, UNKNOWN_FIELD } from './merge-policies';
import { type Body, type Operation, readBody, referenceOf } from './operation';

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
}

interface Held {
  operation: Operation;
  body: Body;
}

/**
 * Return the state of one record (MG1-MG9).
 *
 * @param operations - everything held about it, in any order, repeats allowed; operations whose
 *   body is withheld count for nothing
 * @param policies - field name to policy; unknown fields are decided by a person
 */
export function mergeRecord(
  record: string,
  operations: Iterable<Operation>,
  policies: Readonly<Record<string, FieldPolicy>>,
): RecordState {
  const held = readHeld(operations);
  const standing = findStanding(held);
  const gone = new Map<string, Set<string>>();
  for (const reference of standing) {
    for (const [field, seen] of Object.entries(bodyOf(held, reference).over)) {
      const known = gone.get(field) ?? new Set();
      for (const target of seen) known.add(target);
      gone.set(field, known);
    }
  }
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
  };
}

/** Return the references of the operations that no standing retraction strikes (MG9). */
export function standingReferences(operations: Iterable<Operation>): Set<string> {
  return findStanding(readHeld(operations));
}

function readHeld(operations: Iterable<Operation>): Map<string, Held> {
  const held = new Map<string, Held>();
  for (const operation of operations) {
    const reference = referenceOf(operation);
    if (operation.bodyText !== null && !held.has(reference)) {
      held.set(reference, { operation, body: readBody(operation.bodyText) });
    }
  }
  return held;
}

/** References not retracted by an operation that itself stands; hashes rule out circles. */
function findStanding(held: ReadonlyMap<string, Held>): Set<string> {
  const retractedBy = new Map<string, string[]>();
  for (const [reference, { body }] of held) {
    for (const target of body.retract) {
      retractedBy.set(target, [...(retractedBy.get(target) ?? []), reference]);
    }
  }
  const known = new Map<string, boolean>();
  for (const start of held.keys()) {
    const pending = [start];
    for (let top = pending.at(-1); top !== undefined; top = pending.at(-1)) {
      const blockers = retractedBy.get(top) ?? [];
      const unknown = blockers.filter((reference) => !known.has(reference));
      if (unknown.length > 0) {
        pending.push(...unknown);
        continue;
      }
      known.set(top, !blockers.some((reference) => known.get(reference)));
      pending.pop();
    }
  }
  return new Set([...held.keys()].filter((reference) => known.get(reference)));
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
  const keyOf = (reference: string) => `${held.get(reference)?.operation.stamp} ${reference}`;
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
