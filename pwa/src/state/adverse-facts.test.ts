import { beforeEach, expect, test } from 'vitest';
import { FACT_NAMES } from '../clinical-rules/adverse-events';
import { packagedRuleBook } from '../clinical-rules/packaged-rule-files';
import type { Draft, RecordState, RecordStore } from '../ports';
import { packagedCatalogue } from '../record-catalogue/packaged-catalogue';
import { openMemoryDisk } from '../storage/memory-database';
import { OperationStore } from '../storage/operation-store';
import {
  DAY,
  dayNumber,
  dayOfEvent,
  factDrafts,
  factsOf,
  gradesOf,
  LAST_DAY,
  noToAll,
} from './adverse-facts';
import { AnswerActs, LOCKOUT_MS } from './answer-acts.svelte';
import type { App } from './app';
import { CloseOutSession } from './close-out.svelte';
import type { Json } from './shown';

const RECORD = 'complication/e-1';
const book = packagedRuleBook('2026-11-25');

/** One device over a real store in memory; its clock and its ids are counted. */
class Device {
  readonly held: OperationStore;
  readonly acts: AnswerActs;
  nowMs = 10_000;
  #ids = 0;

  constructor(name: string, disk: Awaited<ReturnType<typeof openMemoryDisk>>) {
    this.held = new OperationStore(disk.database, packagedCatalogue());
    this.held.becomeDevice(
      { device: name, role: 'bedside', token: null, unitName: '', streams: [] },
      'epoch1',
    );
    this.acts = new AnswerActs(this);
  }

  readonly store = {
    read: async (query: { kind: string; record?: string }) => this.held.read(query),
    history: async (record: string) => this.held.history(record),
    conflicts: async () => this.held.conflicts(),
    onRecords: () => () => {},
    recall: async () => null,
  } as unknown as RecordStore;
  readonly clock = {
    nowMs: () => this.nowMs,
    monotonicMs: () => this.nowMs,
    today: () => '2026-03-16',
    nowIso: () => '2026-03-16T09:00:00.000+00:00',
  };
  readonly ids = { newId: () => this.newId() };
  readonly tablet = {
    save: async (drafts: readonly Draft[]) => {
      const who = { by: 'staff/s', tappedBy: 'staff/s' };
      const around = { wallMs: this.nowMs, newSalt: () => '0'.repeat(32) };
      return { kind: 'saved' as const, ...this.held.save(drafts, who, around) };
    },
  };

  newId = (): string => `id-${++this.#ids}`;

  get event(): RecordState {
    const [found] = this.held.read({ kind: 'complication', record: RECORD });
    if (found === undefined) throw new Error('no event');
    return found;
  }

  record(facts?: Record<string, Json>): Promise<void> {
    const set = { case: 'case/c', what: 'bleeding', at: '2026-03-16T09:00:00.000+00:00' };
    return this.acts.saveTogether('record', 'bleeding', () => [
      { draftId: this.newId(), record: RECORD, set: { ...set, ...(facts ? { facts } : {}) } },
    ]);
  }

  /** Press an answer as the event is drawn now, or as it was drawn before. */
  answer(facts: Record<string, Json>, drawn: RecordState = this.event): Promise<void> {
    this.nowMs += LOCKOUT_MS;
    return this.acts.saveTogether(JSON.stringify(facts), 'facts', () =>
      factDrafts(drawn, facts, this.newId),
    );
  }

  hear(other: Device): void {
    const rows = other.held
      .ownOperations('epoch1', 0, 100)
      .map(([envelope, body], index) => [index + 1, envelope, body] as const);
    this.held.applyPulled('care', rows, rows.length, this.nowMs);
  }
}

let one: Device;
let other: Device;
beforeEach(async () => {
  one = new Device('tablet-a', await openMemoryDisk());
  other = new Device('tablet-b', await openMemoryDisk());
});

test('what was recorded with the event at the bedside stays beside its facts', async () => {
  await one.record({ step: 'inject', target: 'A', puncture: 1 });
  await one.answer({ transfusion: true });
  await one.answer({ drugs: 'other' });

  expect(factsOf(one.event)).toEqual({
    given: { transfusion: true, drugs: 'other' },
    unsettled: {},
  });
  const values = one.event.fields.facts?.values.map(({ value }) => value);
  expect(values).toContainEqual({ step: 'inject', target: 'A', puncture: 1 });
});

test('another answer takes the place of the one on screen, and undo brings that one back', async () => {
  await one.record();
  await one.answer({ admission_nights: 2 });
  await one.answer({ admission_nights: 12 });
  expect(factsOf(one.event).given).toEqual({ admission_nights: 12 });

  await one.acts.undo();
  expect(factsOf(one.event).given).toEqual({ admission_nights: 2 });
});

/** Caught a planted bug: every value on screen written over, not only those with the fact. */
test('[HAZ-30] two tablets that answer at once lose nothing', async () => {
  await one.record();
  await one.answer({ surgery: false });
  other.hear(one);
  await one.answer({ transfusion: true });
  await other.answer({ surgery: true });
  one.hear(other);

  expect(factsOf(one.event).given).toEqual({ surgery: true, transfusion: true });
});

test('[HAZ-32] two answers to one fact stay both and count as none until one is pressed', async () => {
  await one.record();
  other.hear(one);
  await one.answer({ death: false });
  await other.answer({ death: true });
  one.hear(other);

  const known = factsOf(one.event);
  expect(known.given).toEqual({});
  expect(known.unsettled.death).toHaveLength(2);
  expect(known.unsettled.death).toEqual(expect.arrayContaining([true, false]));
  // Neither answer is chosen by the program, and "none of the others" does not touch it.
  expect(gradesOf(known, book)).toMatchObject({ answer: null });
  expect(noToAll(gradesOf(known, book).missing, known)).not.toHaveProperty('death');

  await one.answer({ death: true });
  expect(factsOf(one.event)).toEqual({ given: { death: true }, unsettled: {} });
});

test('[HAZ-30] an answer that came in after the screen was drawn is not written over', async () => {
  await one.record();
  const drawn = one.event;
  other.hear(one);
  await other.answer({ surgery: true });
  one.hear(other);
  await one.answer({ surgery: false }, drawn);

  expect(factsOf(one.event).unsettled.surgery).toHaveLength(2);
});

/** Caught a planted bug: the rest of a replaced value left out. */
test('one fact of many saved together is corrected alone', async () => {
  await one.record({ step: 'inject', surgery: false, death: false });
  await one.answer({ surgery: true });

  expect(factsOf(one.event).given).toEqual({ surgery: true, death: false });
  const parts = one.event.fields.facts?.values.map(({ value }) => value);
  expect(parts).toContainEqual({ step: 'inject', death: false });
});

test('[AE1] "none of the others" answers each missing fact, and nothing is missing then', async () => {
  await one.record();
  await one.answer({ transfusion: true });
  const before = gradesOf(factsOf(one.event), book);
  expect(before.answer?.agree).toMatchObject({ grade: 'II', at_least: true });

  await one.answer(noToAll(before.missing, factsOf(one.event)));
  const after = gradesOf(factsOf(one.event), book);
  expect(after.answer?.agree).toMatchObject({ grade: 'II', at_least: false });
  expect(after.answer?.asge).toMatchObject({ grade: 'moderate', at_least: false });
  expect(after.missing).toEqual([]);
});

test('[AE4] without a fact all that can give a grade is missing', () => {
  const { answer, missing, sentence } = gradesOf(
    { given: { on: '2026-03-20' }, unsettled: {} },
    book,
  );

  expect(answer).toBeNull();
  expect(missing).toEqual(FACT_NAMES.filter((fact) => fact !== 'phone_contact'));
  expect(sentence).toContain('No grade can be derived');
});

test('[AE5] "none of the others" leaves the other half of an admission open', () => {
  const known = { given: { admission_nights: 1 }, unsettled: {} };
  const { missing } = gradesOf(known, book);
  expect(missing).toContain('admission_hours');
  const rest = noToAll(missing, known);
  expect(rest).not.toHaveProperty('admission_hours');
  const graded = gradesOf({ given: { ...known.given, ...rest }, unsettled: {} }, book);
  expect(graded.answer?.agree).toMatchObject({
    grade: 'I',
    at_least: true,
    missing: ['admission_hours'],
  });
  // Nobody was admitted, so both halves are answered.
  expect(noToAll(['admission_hours', 'admission_nights'], { given: {}, unsettled: {} })).toEqual({
    admission_hours: 0,
    admission_nights: 0,
  });
});

test('[AE5] hours and nights that do not fit are said, and nothing is graded', () => {
  const given = { admission_nights: 4, admission_hours: 20 };
  expect(gradesOf({ given, unsettled: {} }, book)).toEqual({
    answer: null,
    missing: [],
    sentence:
      'admission_nights 4 and admission_hours 20 do not fit each other. Correct one of them.',
  });
});

test('the day of an event heard of later is its own, else that of its entry', async () => {
  const dayOf = () => '2026-03-16';
  await one.record();
  expect(dayOfEvent(one.event, dayOf)).toBe('2026-03-16');
  await one.answer({ [DAY]: '2026-04-14' });
  expect(dayOfEvent(one.event, dayOf)).toBe('2026-04-14');
  expect(gradesOf(factsOf(one.event), book).answer).toBeNull();
  // 15 March + 30 days is 14 April.
  expect(dayNumber('2026-03-15', '2026-04-14')).toBe(LAST_DAY);
  expect(dayNumber('', '2026-04-14')).toBeNull();
});

/** Caught a planted bug: only what stood last was retracted, and the older answer came back. */
test('[HAZ-16] an event taken back stays away, whatever answers were replaced before', async () => {
  await one.record();
  await one.answer({ surgery: false });
  await one.answer({ surgery: true });
  const session = new CloseOutSession(one as unknown as App, 'c');
  await session.takeBack(one.event, 'bleeding');

  expect(one.event.isEnteredInError).toBe(true);
});
