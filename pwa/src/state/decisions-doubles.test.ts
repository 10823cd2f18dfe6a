/** Two tablets at one table: what both recorded is proposed, decided, and counted until then. */
import { beforeEach, expect, test } from 'vitest';
import type { Draft, RecordStore } from '../ports';
import { packagedCatalogue } from '../record-catalogue/packaged-catalogue';
import { openMemoryDisk } from '../storage/memory-database';
import { OperationStore } from '../storage/operation-store';
import { ageWords, doubleWords, sideWords } from '../text/decisions';
import { CaseRecord } from './case-record.svelte';
import { countsOf } from './close-out';
import { CountDoubts } from './close-out-doubts.svelte';
import { DoubleEntries, type OpenDouble } from './decisions-doubles.svelte';
import { differentDraft, putBackDraft, sameDrafts } from './decisions-draft';
import { tallyOf } from './tally';

const NOON = 1_790_000_000_000;
const CASE = 'case/c1';
const settle = () => new Promise((resolve) => setTimeout(resolve, 5));

class Table {
  readonly held: OperationStore;
  readonly store: RecordStore;
  readonly #listeners = new Set<(records: string[]) => void>();
  #saved = 0;
  #given = 0;

  constructor(held: OperationStore, device: string) {
    this.held = held;
    held.becomeDevice(
      { device, role: 'bedside', token: 't', unitName: '', streams: ['care', 'booking', 'unit'] },
      'ep01',
    );
    this.store = {
      read: async (query: Parameters<OperationStore['read']>[0]) => held.read(query),
      history: async (record: string) => held.history(record),
      conflicts: async () => held.conflicts(),
      onRecords: (listener: (records: string[]) => void) => {
        this.#listeners.add(listener);
        return () => this.#listeners.delete(listener);
      },
    } as unknown as RecordStore;
  }

  save(by: string, drafts: readonly Draft[]): void {
    const newSalt = () => String(++this.#saved).padStart(32, '0');
    const wallMs = NOON + this.#saved;
    const { records } = this.held.save(drafts, { by, tappedBy: by }, { wallMs, newSalt });
    this.#tell(records.map(({ record }) => record));
  }

  /** Give everything written since the last time to another table. */
  sendTo(other: Table): void {
    const rows = this.held
      .ownOperations('ep01', this.#given + 1, 1_000)
      .map(([envelope, body], place): [number, string, string | null] => [
        this.#given + place + 1,
        envelope,
        body,
      ]);
    this.#given += rows.length;
    other.held.applyPulled('care', rows, this.#given, NOON);
    other.#tell(rows.map(([, envelope]) => JSON.parse(envelope).record as string));
  }

  #tell(records: string[]): void {
    for (const tell of this.#listeners) tell(records);
  }
}

const coil = (id: string, more: Draft['set'] = {}): Draft => ({
  draftId: `coil-${id}`,
  record: `coil_placed/${id}`,
  set: { case: CASE, target: 'target/t1', slot: 1, coil: { loop_um: 14_000 }, ...more },
});

let a: Table;
let b: Table;
let doubles: DoubleEntries;

beforeEach(async () => {
  const open = async () =>
    new OperationStore((await openMemoryDisk()).database, packagedCatalogue());
  a = new Table(await open(), 'tablet-a');
  b = new Table(await open(), 'tablet-b');
  a.save('staff/otis', [{ draftId: 'c', record: CASE, set: { patient: 'patient/p1' } }]);
  a.save('staff/otis', [coil('a1', { device: { lot: 'L-1' } })]);
  b.save('staff/wren', [coil('b1')]);
  a.sendTo(b);
  b.sendTo(a);
  doubles = new DoubleEntries(a.store);
  await settle();
});

const only = (): OpenDouble => {
  expect(doubles.rows).toHaveLength(1);
  return doubles.rows[0] as OpenDouble;
};
const verdict = (because = 'Counted the packages') => ({ ...only(), because });

test('[DE2] [DE4] both entries are shown with who and when, and both count', () => {
  const row = only();

  expect(row.why).toBe('same-slot');
  expect(row.caseRecord).toBe(CASE);
  expect(row.sides.map(({ by, set }) => [by, sideWords(set).join(', ')])).toEqual([
    ['staff/otis', 'Coil 1, 14 mm loop, lot L-1'],
    ['staff/wren', 'Coil 1, 14 mm loop'],
  ]);
  const coils = a.held.read({ kind: 'coil_placed' });
  expect(tallyOf({ coils, punctures: [], adhesives: [], flushes: [] }).coils).toBe(2);
  expect(countsOf([], coils)[0]?.placed).toBe(2);
});

test('[DE5] two of them: decided once, on both tablets, and both still count', async () => {
  a.save('staff/otis', [differentDraft(verdict())]);
  await settle();
  expect(doubles.rows).toEqual([]);

  a.sendTo(b);
  const there = new DoubleEntries(b.store);
  await settle();
  expect([there.isLoaded, there.rows]).toEqual([true, []]);
  expect(b.held.read({ kind: 'coil_placed' }).some((one) => one.isEnteredInError)).toBe(false);
});

test('[DE6] the same: one is struck with a reason, the other stays', async () => {
  const row = only();
  a.save('staff/otis', sameDrafts(verdict(), 'coil_placed/b1', row.sides[1]?.history ?? []));
  await settle();

  expect(doubles.rows).toEqual([]);
  const states = a.held.read({ kind: 'coil_placed' });
  expect(states.map((one) => [one.record, one.isEnteredInError])).toEqual([
    ['coil_placed/a1', false],
    ['coil_placed/b1', true],
  ]);
  expect(a.held.history('coil_placed/b1').at(-1)?.because).toBe('Counted the packages');
});

test('[DE6] [MG9] an entry that was edited is struck whole, not back to before the edit', async () => {
  // The planted bug it has caught: the heads alone retracted, after which the first entry stood.
  const [mine] = a.held.read({ kind: 'coil_placed', record: 'coil_placed/a1' });
  const over = Object.fromEntries(
    Object.entries(mine?.fields ?? {}).map(([name, field]) => [
      name,
      field.values.flatMap(({ references }) => references),
    ]),
  );
  a.save('staff/otis', [{ ...coil('a1', { device: { lot: 'L-2' } }), draftId: 'edit', over }]);
  await settle();

  const row = only();
  a.save('staff/otis', sameDrafts(verdict(), 'coil_placed/a1', row.sides[0]?.history ?? []));
  await settle();

  const [struck] = a.held.read({ kind: 'coil_placed', record: 'coil_placed/a1' });
  expect(struck?.isEnteredInError).toBe(true);
  expect(doubles.rows).toEqual([]);
});

test('[DE7] [DE8] two people strike one each: proposed again, and one is put back', async () => {
  const there = new DoubleEntries(b.store);
  await settle();
  const [theirs] = there.rows;
  const row = only();
  a.save('staff/otis', sameDrafts(verdict(), 'coil_placed/b1', row.sides[1]?.history ?? []));
  b.save(
    'staff/wren',
    sameDrafts(
      { ...(theirs as OpenDouble), because: 'Asked who recorded it' },
      'coil_placed/a1',
      theirs?.sides[0]?.history ?? [],
    ),
  );
  a.sendTo(b);
  b.sendTo(a);
  await settle();

  expect([only().why, there.rows[0]?.why]).toEqual(['both-struck', 'both-struck']);
  // Equal verdicts on one record are no conflict of their own.
  expect(a.held.conflicts()).toEqual([]);

  const lost = only();
  const back = putBackDraft('coil_placed/a1', lost.sides[0]?.history ?? [], 'Seen on the image');
  a.save('staff/otis', back === null ? [] : [back]);
  await settle();
  expect(doubles.rows).toEqual([]);
  expect(a.held.read({ kind: 'coil_placed' }).filter((one) => !one.isEnteredInError)).toHaveLength(
    1,
  );
});

test('[DE6] [HAZ-14] struck, put back and struck again: each press counts once', async () => {
  // The planted bug it has caught: the second strike with the draft id of the first.
  const strike = () => sameDrafts(verdict(), 'coil_placed/b1', only().sides[1]?.history ?? []);
  const first = strike();
  a.save('staff/otis', first);
  a.save('staff/otis', first);
  const history = a.held.history('coil_placed/b1');
  expect(history).toHaveLength(2);
  const back = putBackDraft('coil_placed/b1', history, 'Seen on the image');
  a.save('staff/otis', back === null ? [] : [back]);
  await settle();

  a.save('staff/otis', strike());
  await settle();
  expect(doubles.rows).toEqual([]);
  expect(a.held.read({ kind: 'coil_placed', record: 'coil_placed/b1' })[0]?.isEnteredInError).toBe(
    true,
  );
});

test('[DE4] close-out says that the counts wait for a decision, in this case alone', async () => {
  const here = new CountDoubts(a.store, new CaseRecord(a.store, 'c1'));
  const elsewhere = new CountDoubts(a.store, new CaseRecord(a.store, 'c2'));
  await settle();
  expect(here.sentences).toEqual([doubleWords.closeOut(1)]);
  expect(elsewhere.sentences).toEqual([]);

  a.save('staff/otis', [differentDraft(verdict())]);
  await settle();
  expect(here.sentences).toEqual([]);
});

test('[CF3] close-out says that a package has two answers', async () => {
  const opened = (fate: string): Draft => ({
    draftId: `p-${fate}`,
    record: 'package_opened/k1',
    set: { case: CASE, item: 'coil', fate },
  });
  a.save('staff/otis', [opened('placed'), differentDraft(verdict())]);
  b.save('staff/wren', [opened('discarded')]);
  b.sendTo(a);
  const here = new CountDoubts(a.store, new CaseRecord(a.store, 'c1'));
  await settle();

  expect(here.sentences).toEqual([doubleWords.closeOutConflict(1)]);
});

test('[DE3] the step of an injection may come after the injection', async () => {
  // The planted bug it has caught: a step passed looked up once, and not when it came later.
  const act = (id: string, aliquot: number): [Draft, Draft] => [
    {
      draftId: `i-${id}`,
      record: `adhesive_injected/${id}`,
      set: { case: CASE, target: 'target/t1', amount: { mix_ul: 1_000 } },
    },
    {
      draftId: `s-${id}`,
      record: `step_event/${id}`,
      set: { case: CASE, round: { target: 'Varix A', puncture: 1, coil: null, aliquot } },
    },
  ];
  a.save('staff/otis', [differentDraft(verdict()), ...act('x1', 1)]);
  const [injection, step] = act('x2', 1);
  a.save('staff/wren', [injection]);
  await settle();
  expect(doubles.rows).toEqual([]);

  a.save('staff/wren', [step]);
  await settle();
  expect(only().why).toBe('same-aliquot');
});

test('an age is said in whole units, never rounded up', () => {
  expect([0, 59_999, 60_000, 3_599_999, 7_200_000, 172_799_999, 172_800_000].map(ageWords)).toEqual(
    ['just now', 'just now', '1 minute', '59 minutes', '2 hours', '47 hours', '2 days'],
  );
});
