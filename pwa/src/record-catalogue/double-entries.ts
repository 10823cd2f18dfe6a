/**
 * Possible double entries: two records that may speak of one coil or of one injection.
 * Twin of `api/record_catalogue/double_entries.py`; vectors in `tests/conformance/double_entries`.
 *
 * Both records are kept (HAZ-30); what may be one thing written twice is proposed, and a person
 * decides (DE1-DE8 in `sync/SPEC.md`). Pure: records come in as merged states.
 */
import { sha256 } from '@noble/hashes/sha2.js';
import { bytesToHex, utf8ToBytes } from '@noble/hashes/utils.js';
import { readStamp } from '../sync/clock';
import { type RecordState, shownValue } from '../sync/merge';

export const COIL = 'coil_placed';
export const INJECTION = 'adhesive_injected';
/** Unit setting (project default): one coil or aliquot takes longer than this to place. */
export const WINDOW_MS = 120_000;

export type Pair = readonly [string, string];

/** Two records for a person to decide on. */
export interface DoubleEntry {
  /** Both records, sorted. */
  records: Pair;
  /** DE1, DE2, DE3; `both-struck`: judged the same, and then neither was left standing (DE7). */
  why: 'same-label' | 'same-slot' | 'same-aliquot' | 'both-struck';
}

type Parts = { readonly [part: string]: unknown };

interface Entry {
  record: string;
  kind: string;
  writtenMs: number;
  target: string;
  slot: number | null;
  device: Parts;
}

/**
 * Return what a person has to decide, by the records' ids (DE1-DE7).
 *
 * @param states - records of kind `coil_placed` and `adhesive_injected`, struck ones included
 * @param rounds - step events by record: those that `roundsWanted` names, as far as they are held
 * @param decisions - records of kind `decision`
 */
export function findDoubleEntries(
  states: Iterable<RecordState>,
  rounds: ReadonlyMap<string, RecordState>,
  decisions: Iterable<RecordState>,
): DoubleEntry[] {
  const listed = new Map([...states].map((state) => [state.record, state]));
  const entries = [...listed.values()].filter((state) => !state.isEnteredInError).map(readEntry);
  const verdicts = readVerdicts(decisions);
  const found = new Map<string, DoubleEntry>();
  const same = [...verdicts.values()].filter(({ said }) => said.has('same'));
  for (const records of findLost(
    same.map(({ records }) => records),
    listed,
  )) {
    found.set(keyOf(records), { records, why: 'both-struck' });
  }
  for (const double of findAlike(entries, rounds)) {
    const key = keyOf(double.records);
    const said = verdicts.get(key)?.said;
    const isSettled = said?.size === 1 && said.has('different');
    if (!isSettled && !found.has(key)) found.set(key, double);
  }
  return [...found.entries()].sort(([a], [b]) => compare(a, b)).map(([, double]) => double);
}

/**
 * Return the step events that tell which aliquot an injection was, where that matters. They share
 * the id of the injection: all records of one act do (DE3).
 */
export function roundsWanted(states: Iterable<RecordState>): string[] {
  const byTarget = new Map<string, Entry[]>();
  for (const state of states) {
    if (state.isEnteredInError || kindOf(state.record) !== INJECTION) continue;
    const entry = readEntry(state);
    if (entry.target !== '') addTo(byTarget, entry.target, entry);
  }
  const near = new Set<string>();
  for (const [one, other] of [...byTarget.values()].flatMap(pairsOf)) {
    if (areClose(one, other)) near.add(roundRecord(one.record)).add(roundRecord(other.record));
  }
  return [...near].sort(compare);
}

/** Return the record of the decision on two records: the same one on every device (DE8). */
export function decisionRecord(records: Pair): string {
  const digest = bytesToHex(sha256(utf8ToBytes([...records].sort(compare).join('\n'))));
  return `decision/double-${digest.slice(0, 32)}`;
}

/** Pairs that may be one thing; a pair alike in two ways comes by its label first. */
function findAlike(
  entries: readonly Entry[],
  rounds: ReadonlyMap<string, RecordState>,
): DoubleEntry[] {
  const byLabel = new Map<string, Entry[]>();
  const byPlace = new Map<string, Entry[]>();
  for (const entry of entries) {
    const serial = textOf(entry.device.serial);
    if (entry.kind === COIL && serial !== '') addTo(byLabel, serial, entry);
    const place = placeOf(entry, rounds);
    if (place !== null) addTo(byPlace, place, entry);
  }
  return [
    ...[...byLabel.values()]
      .flatMap(pairsOf)
      .filter(([one, other]) => !labelsDiffer(one, other))
      .map(([one, other]) => doubleOf(one, other, 'same-label')),
    ...[...byPlace.values()]
      .flatMap(pairsOf)
      .filter(([one, other]) => areClose(one, other))
      .map(([one, other]) =>
        doubleOf(one, other, one.kind === COIL ? 'same-slot' : 'same-aliquot'),
      ),
  ];
}

/** What no two coils or injections may share, as text; null where it is not known. */
function placeOf(entry: Entry, rounds: ReadonlyMap<string, RecordState>): string | null {
  if (entry.target === '') return null;
  if (entry.kind === COIL) {
    return entry.slot === null ? null : JSON.stringify([COIL, entry.target, entry.slot]);
  }
  const round = partsOf(shownValue(rounds.get(roundRecord(entry.record))?.fields.round));
  const puncture = wholeOf(round.puncture);
  const aliquot = wholeOf(round.aliquot);
  if (puncture === null || aliquot === null) return null;
  return JSON.stringify([INJECTION, entry.target, puncture, aliquot]);
}

/** Say whether both labels give an identifier or a lot and these are not the same. */
function labelsDiffer(one: Entry, other: Entry): boolean {
  return ['identifier', 'lot'].some((name) => {
    const [left, right] = [textOf(one.device[name]), textOf(other.device[name])];
    return left !== '' && right !== '' && left !== right;
  });
}

function areClose(one: Entry, other: Entry): boolean {
  return Math.abs(one.writtenMs - other.writtenMs) <= WINDOW_MS;
}

/** What was said of each pair; a verdict in conflict is "", which decides nothing. */
function readVerdicts(
  decisions: Iterable<RecordState>,
): Map<string, { records: Pair; said: Set<string> }> {
  const verdicts = new Map<string, { records: Pair; said: Set<string> }>();
  for (const state of decisions) {
    if (state.isEnteredInError) continue;
    const about = shownValue(state.fields.about);
    const names = [...new Set(Array.isArray(about) ? about.map(textOf) : [])].sort(compare);
    const [one, other] = names;
    if (names.length !== 2 || !one || !other) continue;
    const records: Pair = [one, other];
    const known = verdicts.get(keyOf(records)) ?? { records, said: new Set<string>() };
    known.said.add(textOf(shownValue(state.fields.verdict)));
    verdicts.set(keyOf(records), known);
  }
  return verdicts;
}

/** The pairs judged the same of which nothing stands, not even by a third record. */
function findLost(same: readonly Pair[], listed: ReadonlyMap<string, RecordState>): Pair[] {
  const alike = new Map<string, string[]>();
  for (const [one, other] of same) {
    addTo(alike, one, other);
    addTo(alike, other, one);
  }
  const isLost = (start: string): boolean => {
    const reached = new Set([start]);
    // A set grows while it is walked: everything reached is looked at once.
    for (const record of reached) {
      // A record that is not held here may stand elsewhere: no alarm.
      if (!listed.get(record)?.isEnteredInError) return false;
      for (const next of alike.get(record) ?? []) reached.add(next);
    }
    return true;
  };
  return same.filter(([one]) => isLost(one));
}

function readEntry(state: RecordState): Entry {
  let first = '';
  for (const field of Object.values(state.fields)) {
    for (const { stamp } of field.values) if (first === '' || stamp < first) first = stamp;
  }
  return {
    record: state.record,
    kind: kindOf(state.record),
    writtenMs: readStamp(first)?.wallMs ?? 0,
    target: textOf(shownValue(state.fields.target)),
    slot: wholeOf(shownValue(state.fields.slot)),
    device: partsOf(shownValue(state.fields.device)),
  };
}

function doubleOf(one: Entry, other: Entry, why: DoubleEntry['why']): DoubleEntry {
  const [first = '', second = ''] = [one.record, other.record].sort(compare);
  return { records: [first, second], why };
}

function pairsOf<One>(list: readonly One[]): [One, One][] {
  return list.flatMap((one, place) =>
    list.slice(place + 1).map((other): [One, One] => [one, other]),
  );
}

function addTo<Held>(lists: Map<string, Held[]>, key: string, held: Held): void {
  const list = lists.get(key);
  if (list === undefined) lists.set(key, [held]);
  else list.push(held);
}

/** Records are ASCII: compared by code unit and never by locale. */
const compare = (a: string, b: string) => (a < b ? -1 : a > b ? 1 : 0);
/** A space sorts before every character of a record, so that keys sort as pairs do. */
const keyOf = (records: Pair) => records.join(' ');
const kindOf = (record: string) => record.split('/', 1)[0] ?? '';
const roundRecord = (record: string) => `step_event/${record.slice(record.indexOf('/') + 1)}`;
const textOf = (part: unknown) => (typeof part === 'string' ? part : '');
const wholeOf = (part: unknown) => (Number.isInteger(part) ? (part as number) : null);

function partsOf(part: unknown): Parts {
  return typeof part === 'object' && part !== null && !Array.isArray(part) ? (part as Parts) : {};
}
