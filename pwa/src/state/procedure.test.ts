import { expect, test } from 'vitest';
import { packagedRuleBook, readPackagedRuleFiles } from '../clinical-rules/packaged-rule-files';
import { RuleBook } from '../clinical-rules/rule-book';
import { hashText } from '../clinical-rules/rule-file';
import type { Clock, Draft, Json, RecordStore } from '../ports';
import { packagedCatalogue } from '../record-catalogue/packaged-catalogue';
import { type MemoryDisk, openMemoryDisk } from '../storage/memory-database';
import { OperationStore } from '../storage/operation-store';
import type { App } from './app';
import { composeOverride, type StandingGate } from './override';
import { askPlan } from './plan';
import { ProcedureSession } from './procedure.svelte';
import { gateAtHand } from './procedure-at-hand';
import { LOCKOUT_MS } from './procedure-turn';
import { textOf } from './shown';
import { Tablet } from './tablet.svelte';

const START_MS = Date.parse('2026-03-16T08:00:00Z');

/** One tablet: the real store on a disk in memory, and a clock that the test moves. */
class Bench {
  readonly store: OperationStore;
  readonly app: App;
  readonly memory: Map<string, unknown>;
  readonly session: ProcedureSession;
  wallMs: number;
  monotonicMs = 1_000;
  saves = 0;
  /** Set by a test: the disk is full. */
  isFull = false;
  #listeners = new Set<(records: string[]) => void>();
  #ids = 0;

  constructor(
    readonly disk: MemoryDisk,
    { memory = new Map<string, unknown>(), wallMs = START_MS } = {},
    caseId = 'c1',
  ) {
    this.wallMs = wallMs;
    this.memory = memory;
    this.store = new OperationStore(disk.database, packagedCatalogue());
    if (this.store.ownDevice() === null) {
      this.store.becomeDevice(
        { device: 'tablet-a', role: 'bedside', token: null, unitName: '', streams: [] },
        'epoch1',
      );
      this.write([
        { record: 'patient/p1', set: { family_name: 'Sample', born_on: '1960-01-02' } },
        {
          record: 'case/c1',
          set: {
            patient: 'patient/p1',
            stage: 'planned',
            adhesive: ADHESIVE,
            needle: { gauge: 19 },
          },
        },
        {
          record: 'target/t1',
          set: {
            case: 'case/c1',
            label: 'Varix A',
            order: 1,
            size: { short_axis_um: 11_000, origin: 'measured' },
            distance: { measured_um: 23_000 },
          },
        },
        { record: 'stock_item/s14', set: COIL },
      ]);
      const read = (kind: string) => this.store.read({ kind });
      const question = askPlan(read('case')[0] ?? null, read('target'), read('stock_item'));
      if (question.kind !== 'ask') throw new Error('the plan lacks an input');
      this.write(
        [{ record: 'case/c1', set: { plan: { ...PLAN, request: question.request } } }],
        '2',
      );
    }
    const clock: Clock = {
      nowMs: () => this.wallMs,
      monotonicMs: () => this.monotonicMs,
      today: () => '2026-03-16',
      nowIso: () => new Date(this.wallMs).toISOString(),
    };
    const port = this.#port();
    this.app = {
      store: port,
      clock,
      ids: { newId: () => `i${String(this.wallMs).slice(-9)}x${++this.#ids}` },
      tablet: new Tablet(port, clock),
      places: null as never,
      ruleBook: packagedRuleBook('2026-03-16'),
      unitRules: {} as never,
      status: null as never,
    };
    this.session = new ProcedureSession(this.app, caseId);
  }

  /** Put something into the store as if from an earlier day. */
  write(drafts: Omit<Draft, 'draftId'>[], part = ''): void {
    const who = { by: 'staff/s', tappedBy: 'staff/s' };
    const around = { wallMs: START_MS - 1_000, newSalt: () => 'a'.repeat(32) };
    this.store.save(
      drafts.map((draft) => ({ ...draft, draftId: draft.record.replace('/', '-') + part })),
      who,
      around,
    );
  }

  /** Let time pass and everything that waits be done. */
  async pass(ms = LOCKOUT_MS + 300): Promise<void> {
    this.wallMs += ms;
    this.monotonicMs += ms;
    await this.settle();
  }

  async settle(): Promise<void> {
    await new Promise((resolve) => setTimeout(resolve, 5));
    this.session.noteRedraw();
    await this.session.readStruck();
  }

  standing(kind: string): number {
    return this.store.read({ kind, parent: 'case/c1' }).filter((one) => !one.isEnteredInError)
      .length;
  }

  #port(): RecordStore {
    const { store, memory } = this;
    const port = {
      read: async (query: Parameters<RecordStore['read']>[0]) => store.read(query),
      history: async (record: string) => store.history(record),
      remember: async (name: string, content: unknown) => void memory.set(name, content),
      recall: async (name: string) => memory.get(name) ?? null,
      onRecords: (listener: (records: string[]) => void) => {
        this.#listeners.add(listener);
        return () => this.#listeners.delete(listener);
      },
      onExchange: () => () => {},
      save: async (drafts: readonly Draft[], who: { by: string; tappedBy: string }) => {
        this.saves += 1;
        if (this.isFull) return { kind: 'not-saved', sentence: 'NOT SAVED. The disk is full.' };
        const around = { wallMs: this.wallMs, newSalt: () => 'a'.repeat(32) };
        const { records, references } = store.save(drafts, who, around);
        setTimeout(() => {
          for (const listener of this.#listeners) listener(records.map(({ record }) => record));
        });
        return { kind: 'saved', records, references };
      },
    };
    return port as unknown as RecordStore;
  }
}

const ADHESIVE = { agent: '2-octyl-cyanoacrylate', parts_adhesive: 1, parts_oil: 0 };
const COIL = {
  item: 'coil',
  count: 6,
  name: 'Coil 14 mm',
  coil: { loop_um: 14_000, wire_um: 889, length_um: 140_000 },
  lots: [{ lot: 'L-0417-A', expires_on: '2028-04-30' }],
};
const PLAN = {
  answer: {
    targets: [
      { label: 'Varix A', needle_stop_um: 21_000, coils: { from: 1, picks: ['stock_item/s14'] } },
    ],
    adhesive: { aliquot_ul: 1_000, aliquot_ms: 45_000, flush_ul: 1_000, flush_media: ['saline'] },
  },
  protocol: {},
};

async function opened(): Promise<Bench> {
  const bench = new Bench(await openMemoryDisk());
  await bench.settle();
  return bench;
}

/** Go to a step and pass it, as the list of steps allows. */
async function passStep(bench: Bench, id: string, more = {}): Promise<void> {
  const step = bench.session.steps.find((one) => one.id === id);
  if (step === undefined) throw new Error(`no step ${id}`);
  bench.session.jumpTo(step);
  await bench.session.pass('done', more);
  await bench.pass();
}

test('[HAZ-14] a double press is one act, two presses apart are two', async () => {
  const bench = await opened();
  const [coil] = bench.session.coils;
  const step = bench.session.steps.find(({ id }) => id === 'coil_formed');
  if (step === undefined || coil === undefined) throw new Error('no coil step');

  bench.session.jumpTo(step);
  const both = [bench.session.pass('done', { stock: coil }), bench.session.pass('done')];
  expect(await Promise.all(both)).toEqual([true, false]);
  await bench.pass(LOCKOUT_MS / 2);
  expect(await bench.session.pass('done')).toBe(false);
  expect([bench.standing('coil_placed'), bench.saves]).toEqual([1, 1]);

  await bench.pass();
  await passStep(bench, 'coil_formed', { stock: coil });
  expect(bench.standing('coil_placed')).toBe(2);
});

test('[HAZ-15] a save that failed shows nothing as recorded and can be pressed again', async () => {
  const bench = await opened();
  bench.isFull = true;
  expect(await bench.session.pass('done')).toBe(false);
  expect(bench.app.tablet.notSaved).toBe('NOT SAVED. The disk is full.');
  expect(bench.standing('step_event')).toBe(0);

  bench.isFull = false;
  expect(await bench.session.pass('done')).toBe(true);
  await bench.settle();
  expect(bench.standing('step_event')).toBe(1);
});

test('the first act of a case says that its procedure runs', async () => {
  const bench = await opened();
  await bench.session.pass('done');
  await bench.settle();

  expect(textOf(bench.store.read({ kind: 'case', record: 'case/c1' })[0], 'stage')).toBe(
    'in-procedure',
  );
  expect(bench.memory.get('live-case')).toBe('case/c1');
});

test('[HAZ-16] undo strikes the last act alone and opens its package again', async () => {
  const bench = await opened();
  const [coil] = bench.session.coils;
  await passStep(bench, 'package_opened', { stock: coil });
  await passStep(bench, 'coil_formed', { stock: coil });
  expect(bench.session.totals).toMatchObject({ coils: 1, punctures: 1 });

  const undone = await bench.session.undo();
  await bench.pass();

  expect(undone).not.toBeNull();
  expect(bench.session.totals).toMatchObject({ coils: 0, punctures: 0 });
  expect(bench.standing('package_opened')).toBe(1);
  expect(textOf(bench.store.read({ kind: 'package_opened' })[0], 'fate')).toBe('open');
  const acts = bench.session.acts.map(({ isUndone, set }) => [set.step, isUndone]);
  expect(acts).toEqual([
    ['package_opened', false],
    ['coil_formed', true],
  ]);
});

test('[HAZ-16] a double press on undo undoes one act', async () => {
  const bench = await opened();
  await bench.session.pass('done');
  await bench.pass();
  await bench.session.pass('done');
  await bench.pass();

  await Promise.all([bench.session.undo(), bench.session.undo()]);
  await bench.settle();

  expect(bench.standing('step_event')).toBe(1);
});

test('[UX-15] after a kill: same step, same timer, same tally', async () => {
  const bench = await opened();
  const [coil] = bench.session.coils;
  await bench.session.leaveOutUntilPuncture('Emergency');
  await bench.pass();
  for (const id of ['needle_flushed', 'distance', 'stop_set', 'tip_seen', 'blood_return']) {
    expect(bench.session.step?.id).toBe(id);
    await bench.session.pass('done', id === 'stop_set' ? { amount: 21_000 } : {});
    await bench.pass();
  }
  for (const id of ['package_opened', 'coil_formed', 'needle_patent', 'doppler_again']) {
    expect(bench.session.step?.id).toBe(id);
    await bench.session.pass('done', coil ? { stock: coil } : {});
    await bench.pass();
  }
  await bench.session.choose('adhesive');
  await bench.pass();
  await bench.session.pass('done');
  await bench.pass();
  expect(bench.session.step?.id).toBe('injection');
  bench.session.answer({ amount: 500 });
  await bench.session.startTimer();
  const before = { round: bench.session.round, totals: bench.session.totals };

  const again = new Bench(bench.disk.reopen(), {
    memory: new Map(JSON.parse(JSON.stringify([...bench.memory]))),
    wallMs: bench.wallMs + 30_000,
  });
  await again.settle();
  again.session.adoptTimer();

  expect(again.session.step?.id).toBe('injection');
  expect({ round: again.session.round, totals: again.session.totals }).toEqual(before);
  expect(again.session.isTimerHere()).toBe(true);
  expect(again.session.timer.readNow()).toMatchObject({ elapsedMs: 30_000 });

  // The amount that a person entered before the kill is still the one on screen.
  await again.session.pass('done');
  await again.pass();
  expect(again.session.timer.running).toBeNull();
  expect(again.session.totals).toMatchObject({ pureUl: 500, mixUl: 500 });
  const [injected] = again.store.read({ kind: 'adhesive_injected' });
  expect(injected?.fields.elapsed_ms?.values[0]?.value).toBe(30_000);
});

test('[HAZ-28] steps left out in an emergency are one act, said as skipped, and undone as one', async () => {
  const bench = await opened();
  const count = bench.session.leftOut.length;
  expect(count).toBeGreaterThan(10);

  await bench.session.leaveOutUntilPuncture('Emergency');
  await bench.pass();
  expect(bench.session.step?.id).toBe('needle_flushed');
  expect(bench.session.acts).toHaveLength(1);
  expect(bench.session.acts[0]).toMatchObject({ count, set: { outcome: 'skipped' } });

  await bench.session.undo();
  await bench.pass();
  expect(bench.session.step?.id).toBe('identity');
});

test('[HAZ-02] a plan whose inputs changed gives no number; one whose stock changed still does', async () => {
  const bench = await opened();
  const numbers = (of: Bench) => [
    of.session.targets[0]?.needleStopUm,
    of.session.targets[0]?.picks.length,
    of.session.adhesive.aliquotUl,
  ];
  expect(numbers(bench)).toEqual([21_000, 1, 1_000]);

  const [item] = bench.store.read({ kind: 'stock_item' });
  bench.write(
    [{ record: 'stock_item/s14', set: { count: 5 }, over: { count: item?.heads ?? [] } }],
    '3',
  );
  const lessStock = new Bench(bench.disk.reopen());
  await lessStock.settle();
  expect(numbers(lessStock)).toEqual([21_000, 1, 1_000]);

  const [target] = bench.store.read({ kind: 'target' });
  bench.write(
    [
      {
        record: 'target/t1',
        set: { size: { short_axis_um: 16_000, origin: 'measured' } },
        over: { size: target?.heads ?? [] },
      },
    ],
    '4',
  );
  const measuredAgain = new Bench(bench.disk.reopen());
  await measuredAgain.settle();
  expect(measuredAgain.session.isPlanStale).toBe(true);
  expect(numbers(measuredAgain)).toEqual([null, 0, null]);
});

test('[HARD-04] the session total counts mix of unknown parts as pure', async () => {
  const bench = await opened();
  bench.write([
    {
      record: 'adhesive_injected/x1',
      set: { case: 'case/c1', target: 'target/t1', amount: { mix_ul: 3_000 } },
    },
  ]);
  const fresh = new Bench(bench.disk.reopen());
  await fresh.settle();

  expect(fresh.session.givenUl).toBe(3_000);
  expect(fresh.session.totals).toMatchObject({ pureUl: 0, mixUl: 3_000 });
});

test('[GATE-02] going on without blood return keeps gate, reason, text and time', async () => {
  const bench = await opened();
  await bench.session.leaveOutUntilPuncture('Emergency');
  await bench.pass();
  for (const id of ['needle_flushed', 'distance', 'stop_set', 'tip_seen', 'blood_return']) {
    await bench.session.pass(id === 'blood_return' ? 'not-seen' : 'done');
    await bench.pass();
  }
  expect(bench.session.isChoosing).toBe(true);
  expect(bench.session.progress.gates).toMatchObject([{ id: 'BLOOD-RETURN', level: 'hard' }]);
  expect(bench.session.progress.choices).not.toContain('adhesive');

  const gates = bench.session.gatesOn({ blood_return: { seen: false, wants_adhesive: true } });
  const override = passing(bench, gates, 'tip-seen');
  await bench.session.overrideBloodReturn(override, 'staff/endoscopist');
  await bench.pass();

  expect(bench.session.progress.gates).toEqual([]);
  const events = bench.store.read({ kind: 'step_event', parent: 'case/c1' });
  const last = events.find((event) => textOf(event, 'outcome') === 'override');
  expect(last?.fields.override?.values[0]).toMatchObject({
    value: override,
    by: 'staff/endoscopist',
  });
  expect(override).toMatchObject({ gate: 'BLOOD-RETURN', wall_ms: bench.wallMs - 1_000 });
});

/** Pass the first of the gates, as the panel does after 900 ms. */
function passing(bench: Bench, gates: readonly StandingGate[], reason: string, second = '') {
  const [standing] = gates;
  if (standing === undefined) throw new Error('no gate stands');
  return composeOverride(standing, {
    reason,
    by: 'staff/endoscopist',
    secondPerson: second || null,
    wallMs: bench.wallMs,
    monotonicMs: bench.monotonicMs,
    shownAtMs: bench.monotonicMs - 900,
  });
}

/** Show a step and enter an amount, as a person does; returns the gate that then stands. */
function enter(bench: Bench, id: string, amount: number): StandingGate | null {
  const step = bench.session.steps.find((one) => one.id === id);
  if (step === undefined) throw new Error(`no step ${id}`);
  if (bench.session.step?.id !== id) bench.session.jumpTo(step);
  bench.session.answer({ amount });
  return gateAtHand(bench.session);
}

test('[HARD-05] a stop beyond the distance is kept with a reason, or recorded as it is', async () => {
  const bench = await opened();
  await passStep(bench, 'distance', { amount: 23_000 });

  expect(enter(bench, 'stop_set', 23_000)).toBeNull();
  expect(enter(bench, 'stop_set', 23_001)).not.toBeNull();
  const gate = gateAtHand(bench.session);
  expect(gate?.gate).toMatchObject({ id: 'HARD-05', withholds: ['done'], quiet: false });

  // GATE-00: what people did is recorded though the gate stands; only the word "done" is not said.
  await bench.session.pass('not-seen', { gateStood: gate?.gate.cause ?? '' });
  await bench.pass();
  const events = () => bench.store.read({ kind: 'step_event', parent: 'case/c1' });
  const stop = events().find((event) => textOf(event, 'step') === 'stop_set');
  expect(textOf(stop, 'outcome')).toBe('not-seen');
  expect(stop?.fields.answers?.values[0]?.value).toEqual({
    length_um: 23_001,
    gate_stood: 'HARD-05 stop_beyond_distance',
  });

  enter(bench, 'stop_set', 24_000);
  const gates = gateAtHand(bench.session);
  if (gates === null) throw new Error('no gate stands');
  const override = passing(bench, [gates], 'team-decision');
  await bench.session.pass('override', { override, by: 'staff/endoscopist' });
  await bench.pass();
  expect(bench.session.overrides).toEqual([override]);

  // One cause, one alert (GATE-04): the next one is quiet, and still withholds.
  enter(bench, 'stop_set', 25_000);
  expect(gateAtHand(bench.session)?.gate).toMatchObject({ id: 'HARD-05', quiet: true });
});

test('[HARD-03] an old plan is passed once, for these changes and no others', async () => {
  const bench = await opened();
  const measure = (on: Bench, um: number, part: string) => {
    const [target] = on.store.read({ kind: 'target' });
    const set = { size: { short_axis_um: um, origin: 'measured' } };
    const over = { size: target?.heads ?? [] };
    on.write([{ record: 'target/t1', set, over }], part);
  };
  expect(enter(bench, 'injection', 500)).toBeNull();

  measure(bench, 16_000, '3');
  const old = new Bench(bench.disk.reopen());
  await old.settle();
  const gate = enter(old, 'injection', 500);
  expect(gate?.gate.text).toBe(
    'Plan out of date (Varix A short axis: was 11 mm, now 16 mm). Plan again, or write your own.',
  );

  const override = passing(old, gate ? [gate] : [], 'bleeding-now');
  expect(await old.session.goOnWithOwnPlan(override, 'staff/endoscopist')).toBe(true);
  await old.pass();
  expect(enter(old, 'injection', 500)).toBeNull();
  // Not a step of the protocol: it moves nothing on.
  expect(old.session.events).toEqual([]);
  expect(old.session.acts).toHaveLength(1);

  measure(old, 18_000, '4');
  const older = new Bench(old.disk.reopen());
  await older.settle();
  expect(enter(older, 'injection', 500)).not.toBeNull();

  await older.session.pass('done', { amount: 500, gateStood: 'x' });
  await older.pass();
  expect(older.standing('adhesive_injected')).toBe(1);
});

test('[HARD-04] a second person confirms this amount; a greater one asks anew', async () => {
  const bench = await opened();
  bench.write([
    {
      record: 'adhesive_injected/x1',
      set: { case: 'case/c1', target: 'target/t1', amount: { mix_ul: 5_500 } },
    },
  ]);
  const late = new Bench(bench.disk.reopen());
  await late.settle();

  expect(enter(late, 'injection', 500)).toBeNull();
  expect(enter(late, 'injection', 501)).not.toBeNull();
  const gate = gateAtHand(late.session);
  const override = passing(late, gate ? [gate] : [], 'flow-not-reduced', 'staff/other');
  late.session.answer({ override, by: 'staff/endoscopist' });
  expect(gateAtHand(late.session)).toBeNull();
  expect(enter(late, 'injection', 900)).not.toBeNull();

  enter(late, 'injection', 501);
  await late.session.pass('done', { amount: 501 });
  await late.pass();
  const [event] = late.store
    .read({ kind: 'step_event', parent: 'case/c1' })
    .filter((one) => textOf(one, 'step') === 'injection');
  expect(event?.fields.override?.values[0]).toMatchObject({
    by: 'staff/endoscopist',
    value: { gate: 'HARD-04', second_person: 'staff/other' },
  });
});

test('[HARD-04] more than one injection may hold asks for a second person as well', async () => {
  const bench = await opened();

  expect(enter(bench, 'injection', 1_000)).toBeNull();
  expect(enter(bench, 'injection', 1_001)).not.toBeNull();
});

test('[GATE-04] a soft remark is loud where it came up first and quiet from then on', async () => {
  const bench = await opened();
  const late = { elapsed_ms: 46_000, planned_ms: 45_000 };
  const isQuiet = (of: Bench) => of.session.gatesOn(late).map(({ gate }) => gate.quiet);
  enter(bench, 'injection', 500);
  bench.session.noteRaised(bench.session.gatesOn(late));
  expect(isQuiet(bench)).toEqual([false]);

  enter(bench, 'dead_space_flush', 500);
  expect(isQuiet(bench)).toEqual([true]);

  const again = new Bench(bench.disk.reopen(), { memory: bench.memory });
  await again.settle();
  expect(isQuiet(again)).toEqual([true]);
});

test('[HAZ-10] rules that come into force meanwhile leave a case with the limits it pinned', async () => {
  const bench = await opened();
  const contents = readPackagedRuleFiles();
  const v1 = contents['sizing/limits.v1.json'] ?? '';
  const v2 = v1
    .replace('"version": 1', '"version": 1001')
    .replace('"amount": 6000', '"amount": 5000');
  const next = { name: 'sizing/limits', version: 1001, sha256: hashText(v2) };
  const ruleBook = new RuleBook({ ...contents, 'sizing/limits.v1001.json': v2 }, '2026-03-16', {
    releases: [{ ...next, retiredOn: null, approvals: [] }],
    isTraining: true,
  });
  const opens = async () => {
    const again = new Bench(bench.disk.reopen());
    const session = new ProcedureSession({ ...again.app, ruleBook }, 'c1');
    await again.settle();
    return session.limits?.secondPersonUl;
  };
  expect(await opens()).toBe(5_000);

  const [itself] = bench.store.read({ kind: 'case' });
  const plan = itself?.fields.plan?.values[0];
  const { request = null } = (plan?.value ?? {}) as { request?: Json };
  const ruleFiles = [{ name: 'sizing/limits', version: 1, sha256: hashText(v1) }];
  const answer = { ...PLAN.answer, rule_files: ruleFiles };
  bench.store.save(
    [
      {
        draftId: 'pin',
        record: 'case/c1',
        set: { plan: { request, answer, protocol: {} } },
        over: { plan: plan?.references ?? [] },
      },
    ],
    { by: 'staff/s', tappedBy: 'staff/s' },
    { wallMs: START_MS, newSalt: () => 'b'.repeat(32) },
  );
  expect(await opens()).toBe(6_000);
});
