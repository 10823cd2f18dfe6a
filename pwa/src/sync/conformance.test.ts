/** The shared vectors; the Python twin runs the same files in `tests/unit/sync`. */
import { readFileSync } from 'node:fs';
import { describe, expect, test } from 'vitest';
import { canonicalText, type JsonContent } from './canonical-text';
import { nextStamp, readStamp, takeNotice, writeStamp } from './clock';
import { listConflicts } from './conflict';
import {
  BrokenChainError,
  ChangedBatchError,
  ForgedOperationError,
  MalformedOperationError,
} from './errors';
import { compareTips, cutBatch, type HandshakeAnswer, PROTOCOL_VERSION } from './exchange';
import { RESTING, stepExchange } from './exchange-machine';
import type { Heard, Said } from './exchange-messages';
import { mergeRecord, shownValue } from './merge';
import type { FieldPolicy } from './merge-policies';
import {
  hashText,
  makeOperation,
  type Operation,
  readBody,
  readOperation,
  referenceOf,
  writeEnvelope,
} from './operation';
import { placeOperation, type Tip, verifyChain } from './operation-log';
import { digestRows, type Row, readRows, writeRows } from './wire';

interface Case<Given, Expect> {
  description: string;
  given: Given;
  expect: Expect;
}

function eachCase<Given, Expect>(
  path: string,
  check: (given: Given, expected: Expect) => void,
): void {
  const file = new URL(`../../../tests/conformance/${path}`, import.meta.url);
  const { cases } = JSON.parse(readFileSync(file, 'utf8')) as { cases: Case<Given, Expect>[] };
  describe(path, () => {
    test('holds cases', () => expect(cases.length).toBeGreaterThan(0));
    for (const one of cases) test(one.description, () => check(one.given, one.expect));
  });
}

const stampOf = (text: string | null) => (text === null ? null : readStamp(text));

eachCase<{ previous: string | null; wall_ms: number; device: string }, string>(
  'clock/next_stamp.json',
  ({ previous, wall_ms: wallMs, device }, expected) => {
    const stamp = writeStamp(nextStamp(stampOf(previous), wallMs, device));
    expect(stamp).toBe(expected);
    expect(previous === null || stamp > previous).toBe(true);
  },
);

eachCase<{ own: string | null; received: string; wall_ms: number }, string | null>(
  'clock/take_notice.json',
  ({ own, received, wall_ms: wallMs }, expected) => {
    const stamp = readStamp(received);
    if (stamp === null) throw new Error('the vector holds no stamp');
    const kept = takeNotice(stampOf(own), stamp, wallMs);
    expect(kept && writeStamp(kept)).toBe(expected);
  },
);

eachCase<string, { wall_ms: number; counter: number; device: string } | null>(
  'clock/read_stamp.json',
  (text, expected) => {
    const stamp = readStamp(text);
    const { wallMs, ...rest } = stamp ?? {};
    expect(stamp && { wall_ms: wallMs, ...rest }).toEqual(expected);
  },
);

test('SHA-256 is that of the standard: FIPS 180-4 example "abc"', () => {
  expect(hashText('abc')).toBe('ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad');
});

interface BodyParts {
  salt: string;
  by: string;
  tapped_by: string;
  catalogue: number;
  set?: Record<string, JsonContent>;
  over?: Record<string, string[]>;
  retract?: string[];
  because?: string;
}
const bodyOf = ({ tapped_by: tappedBy, ...parts }: BodyParts) => ({
  set: {},
  over: {},
  retract: [],
  because: '',
  tappedBy,
  ...parts,
});

eachCase<
  Omit<Parameters<typeof makeOperation>[0], 'body'> & { body: BodyParts },
  { envelope: string; body: string; hash: string; reference: string }
>('operation/make_operation.json', (given, expected) => {
  const operation = makeOperation({ ...given, body: bodyOf(given.body) });
  expect(operation.bodyText).toBe(expected.body);
  expect(writeEnvelope(operation)).toBe(expected.envelope);
  expect(operation.hash).toBe(expected.hash);
  expect(referenceOf(operation)).toBe(expected.reference);
});

const REFUSALS = { malformed: MalformedOperationError, forged: ForgedOperationError };
type BodyRule = { before: string; repeat: string; times: number; after: string };

eachCase<
  { envelope: string; body: string | null | BodyRule },
  | { refusal: keyof typeof REFUSALS }
  | { op_id: string; hash: string; set?: Record<string, JsonContent> }
>('operation/read_operation.json', ({ envelope, body }, expected) => {
  const text =
    typeof body === 'object' && body !== null
      ? body.before + body.repeat.repeat(body.times) + body.after
      : body;
  if ('refusal' in expected) {
    expect(() => readOperation(envelope, text)).toThrow(REFUSALS[expected.refusal]);
    return;
  }
  const operation = readOperation(envelope, text);
  expect({ op_id: operation.opId, hash: operation.hash }).toEqual({
    op_id: expected.op_id,
    hash: expected.hash,
  });
  expect(writeEnvelope(operation)).toBe(envelope);
  expect(operation.bodyText).toBe(text);
  if (expected.set) expect(readBody(text ?? '').set).toEqual(expected.set);
});

eachCase<JsonContent, string>('operation/canonical_text.json', (content, expected) => {
  expect(canonicalText(content)).toBe(expected);
});

const logOperation = (part: { counter: number; previous: string; hash: string }): Operation => ({
  opId: `a.ep01.${part.counter}`,
  device: 'a',
  epoch: 'ep01',
  stream: 'care',
  record: 'puncture/p-1',
  stamp: '',
  commitment: '',
  bodyText: null,
  ...part,
});
type LogPart = Parameters<typeof logOperation>[0];

eachCase<{ tip: Tip | null; operation: LogPart; held_hash: string | null }, string>(
  'log/place_operation.json',
  ({ tip, operation, held_hash: heldHash }, expected) => {
    expect(placeOperation(tip, logOperation(operation), heldHash)).toBe(expected);
  },
);

eachCase<LogPart[], { counter: number; hash: string } | { broken_at: number } | null>(
  'log/verify_chain.json',
  (parts, expected) => {
    const operations = parts.map(logOperation);
    if (expected && 'broken_at' in expected) {
      expect(() => verifyChain(operations)).toThrow(BrokenChainError);
      expect(() => verifyChain(operations)).toThrow(`a.ep01.${expected.broken_at} `);
      return;
    }
    const tip = verifyChain(operations);
    expect(tip && { counter: tip.counter, hash: tip.hash }).toEqual(expected);
  },
);

eachCase<
  {
    own: Tip;
    answer: Pick<HandshakeAnswer, 'tip' | 'hash_at_device_tip'>;
    own_hash_at_server_tip: string | null;
  },
  { standing: string; send_from?: number }
>('exchange/compare_tips.json', (given, expected) => {
  const answer = { server: 's', heads: {}, wall_ms: 0, ...given.answer };
  const comparison = compareTips(given.own, answer, given.own_hash_at_server_tip);
  expect(comparison.standing).toBe(expected.standing);
  expect('sendFrom' in comparison ? comparison.sendFrom : undefined).toBe(expected.send_from);
});

eachCase<[number, number][], number>('exchange/cut_batch.json', (runs, expected) => {
  expect(cutBatch(runs.flatMap(([count, size]) => Array(count).fill(size)))).toBe(expected);
});

/** That what is said is what the version says, the Python twin holds. */
const versions: number[] = [];
eachCase<Record<string, string[]>, number>('exchange/protocol_version.json', (_, expected) => {
  versions.push(expected);
  expect(expected).toBeLessThanOrEqual(PROTOCOL_VERSION);
});
test('[EX24] the version of the exchange is the last of the vector', () =>
  expect(versions.at(-1)).toBe(PROTOCOL_VERSION));

eachCase<Heard[], { said: Said[][]; phase: string }>('exchange/machine.json', (heard, expected) => {
  let state = RESTING;
  const answers = heard.map((one) => {
    const [next, said] = stepExchange(state, one);
    state = next;
    return said;
  });
  expect(answers).toEqual(expected.said);
  expect(state.phase).toBe(expected.phase);
});

interface NamedPart {
  name: string;
  at_ms: number;
  by: string;
  set?: Record<string, JsonContent>;
  over?: Record<string, string[]>;
  retract?: string[];
  again?: string;
  stamp_device?: string;
}

/** Real operations by name; each may name those before it. */
function namedOperations(parts: NamedPart[]): Map<string, Operation> {
  const made = new Map<string, Operation>();
  const referTo = (name: string) => {
    const found = made.get(name);
    if (found === undefined) throw new Error(`no operation ${name} before`);
    return referenceOf(found);
  };
  for (const part of parts) {
    const device = part.name.charAt(0);
    const over = Object.entries(part.over ?? {}).map(([field, names]) => [
      field,
      names.map(referTo),
    ]);
    made.set(
      part.name,
      makeOperation({
        device,
        epoch: `ep${part.name}`,
        counter: 1,
        previous: '',
        stream: 'care',
        record: 'puncture/p-1',
        stamp: writeStamp({ wallMs: part.at_ms, counter: 0, device: part.stamp_device ?? device }),
        body: {
          salt: '0'.repeat(32),
          by: part.by,
          tappedBy: part.by,
          catalogue: 1,
          set: part.set ?? {},
          over: Object.fromEntries(over),
          retract: (part.retract ?? []).map(referTo),
          because: '',
          ...(part.again === undefined ? {} : { again: referTo(part.again) }),
        },
      }),
    );
  }
  return made;
}

function* orders<One>(list: One[]): Generator<One[]> {
  if (list.length < 2) yield list;
  for (const [place, first] of list.entries()) {
    if (list.length < 2) return;
    for (const rest of orders(list.toSpliced(place, 1))) yield [first, ...rest];
  }
}

interface ExpectedField {
  values: { value: JsonContent; names: string[]; by?: string }[];
  is_conflict: boolean;
}

interface MergeGiven {
  policies: Record<string, { merge: FieldPolicy['merge']; rank?: string[] }>;
  operations: NamedPart[];
  held?: string[];
}
interface MergeExpect {
  fields: Record<string, ExpectedField>;
  heads: string[];
  struck: string[];
  is_entered_in_error: boolean;
  waiting?: string[];
  newer?: number;
}

function checkMerge(given: MergeGiven, expected: MergeExpect): void {
  const operations = namedOperations(given.operations);
  const names = new Map([...operations].map(([name, one]) => [referenceOf(one), name]));
  const policies = Object.fromEntries(
    Object.entries(given.policies).map(([field, { merge, rank = [] }]) => [field, { merge, rank }]),
  );
  const nameAll = (references: string[]) => references.map((reference) => names.get(reference));
  const arrived = [...operations].filter(([name]) => given.held?.includes(name) ?? true);
  for (const order of orders(arrived.map(([, one]) => one))) {
    const state = mergeRecord('puncture/p-1', [...order, ...order.toReversed()], policies);
    expect(Object.keys(state.fields).sort()).toEqual(Object.keys(expected.fields).sort());
    for (const [field, wanted] of Object.entries(expected.fields)) {
      const found = Object.entries(state.fields).find(([name]) => name === field)?.[1];
      expect(found?.isConflict).toBe(wanted.is_conflict);
      expect(found?.values.map((held) => held.value)).toEqual(wanted.values.map((v) => v.value));
      expect(found?.values.map((held) => nameAll(held.references))).toEqual(
        wanted.values.map((one) => one.names),
      );
      for (const [place, one] of wanted.values.entries()) {
        const last = one.names.at(-1) ?? '';
        expect(found?.values[place]?.stamp).toBe(operations.get(last)?.stamp);
        expect(found?.values[place]?.by).toBe(one.by ?? `staff/${last.charAt(0)}`);
      }
      if (wanted.is_conflict) expect(shownValue(found)).toBeNull();
    }
    expect(nameAll(state.struck)).toEqual(expected.struck);
    expect(nameAll(state.heads).sort()).toEqual(expected.heads);
    expect(state.heads).toEqual(state.heads.toSorted());
    expect(state.isEnteredInError).toBe(expected.is_entered_in_error);
    expect(nameAll(state.waiting ?? [])).toEqual(expected.waiting ?? []);
    if (expected.newer !== undefined) expect(state.newer ?? 0).toBe(expected.newer);
    const conflicts = Object.keys(expected.fields).filter((f) => expected.fields[f]?.is_conflict);
    expect(listConflicts(state).map((one) => one.field)).toEqual(conflicts.sort());
  }
}

eachCase('merge/merge_record.json', checkMerge);
eachCase('merge/reissue.json', checkMerge);

eachCase<
  { rows: Row[]; digest: string; said: string[] },
  { operations: [string, string | null][]; is_shortest?: boolean } | { refused: string }
>('exchange/wire.json', ({ rows, digest, said }, expected) => {
  if ('refused' in expected) {
    expect(() => readRows(rows, digest, ...said)).toThrow(ChangedBatchError);
    expect(() => readRows(rows, digest, ...said)).toThrow(expected.refused);
    return;
  }
  const read = readRows(rows, digest, ...said);
  expect(read.map((one) => [writeEnvelope(one), one.bodyText])).toEqual(expected.operations);
  expect(read).toEqual(expected.operations.map((texts) => readOperation(...texts)));
  if (expected.is_shortest !== false) expect(writeRows(read)).toEqual(rows);
  expect(digestRows(read, ...said)).toBe(digest);
});
