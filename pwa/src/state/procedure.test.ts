import { expect, test } from 'vitest';
import { readPackagedRuleFiles } from '../clinical-rules/packaged-rule-files';
import { RuleBook } from '../clinical-rules/rule-book';
import { hashText } from '../clinical-rules/rule-file';
import type { Json } from '../ports';
import { Bench, openBench, PLAN, START_MS } from './bedside-bench';
import { confirmedBy } from './confirmed-by';
import { composeOverride, type StandingGate } from './override';
import { ProcedureSession } from './procedure.svelte';
import { gateAtHand, untickedItems } from './procedure-at-hand';
import { LOCKOUT_MS } from './procedure-turn';
import { textOf } from './shown';

/** Go to a step and pass it, as the list of steps allows. */
async function passStep(bench: Bench, id: string, more = {}): Promise<void> {
  const step = bench.session.steps.find((one) => one.id === id);
  if (step === undefined) throw new Error(`no step ${id}`);
  bench.session.jumpTo(step);
  await bench.session.pass('done', more);
  await bench.pass();
}

test('[HAZ-14] a double press is one act, two presses apart are two', async () => {
  const bench = await openBench();
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

/** Caught, as it stood: the sheet closed over an event that nobody had recorded. */
test('[HAZ-14] [HAZ-15] what is pressed on a sheet soon after an act waits for it and is recorded', async () => {
  const bench = await openBench();
  await bench.session.pass('done');
  await bench.pass(LOCKOUT_MS / 2);
  const event = bench.session.recordEvent('bleeding');
  // A press in place counts for nothing meanwhile, as before.
  expect(await bench.session.pass('done')).toBe(false);
  expect(bench.standing('complication')).toBe(0);

  await bench.pass();
  expect(await event).toBe(true);
  expect([bench.standing('complication'), bench.standing('step_event')]).toEqual([1, 1]);
});

test('[HAZ-14] what waited is of the step that it was pressed on, and of no other', async () => {
  const bench = await openBench();
  // Both at the first step: it is done before the chip of "Skip" could be recorded.
  const done = bench.session.pass('done');
  const skipped = bench.session.pass('skipped', { reason: 'Not needed' }, 'on-sheet');
  await done;
  await bench.pass();

  expect(await skipped).toBe(false);
  expect(bench.standing('step_event')).toBe(1);
  // The turn is free again, and a step skipped on its sheet is recorded.
  const { step } = bench.session;
  expect(await bench.session.pass('skipped', { reason: 'Not needed' }, 'on-sheet')).toBe(true);
  await bench.pass();
  expect(bench.session.acts.at(-1)?.set).toMatchObject({ step: step?.id, outcome: 'skipped' });
});

test('[HAZ-15] a save that failed shows nothing as recorded and can be pressed again', async () => {
  const bench = await openBench();
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
  const bench = await openBench();
  await bench.session.pass('done');
  await bench.settle();

  expect(textOf(bench.store.read({ kind: 'case', record: 'case/c1' })[0], 'stage')).toBe(
    'in-procedure',
  );
  expect(bench.memory.get('live-case')).toBe('case/c1');
});

test('[HAZ-16] undo strikes the last act alone and opens its package again', async () => {
  const bench = await openBench();
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
  const bench = await openBench();
  await bench.session.pass('done');
  await bench.pass();
  await bench.session.pass('done');
  await bench.pass();

  await Promise.all([bench.session.undo(), bench.session.undo()]);
  await bench.settle();

  expect(bench.standing('step_event')).toBe(1);
});

test('[UX-15] after a kill: same step, same timer, same tally', async () => {
  const bench = await openBench();
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
  const bench = await openBench();
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
  const bench = await openBench();
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
  const bench = await openBench();
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
  const bench = await openBench();
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
  const bench = await openBench();
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
  const confirmation = confirmedBy('staff/endoscopist');
  const given = { ...override, confirmation };
  await bench.session.pass('override', { override: given, by: 'staff/endoscopist' });
  await bench.pass();
  expect(bench.session.overrides).toEqual([override]);
  // [HAZ-25] Beside the override, which keeps its own parts alone.
  const event = bench.store.read({ kind: 'step_event' }).find(({ fields }) => fields.override);
  expect(event?.fields.confirmation?.values[0]).toMatchObject({ value: confirmation });

  // One cause, one alert (GATE-04): the next one is quiet, and still withholds.
  enter(bench, 'stop_set', 25_000);
  expect(gateAtHand(bench.session)?.gate).toMatchObject({ id: 'HARD-05', quiet: true });
});

test('[HARD-03] an old plan is passed once, for these changes and no others', async () => {
  const bench = await openBench();
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
  const bench = await openBench();
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
  const bench = await openBench();

  expect(enter(bench, 'injection', 1_000)).toBeNull();
  expect(enter(bench, 'injection', 1_001)).not.toBeNull();
});

test('[GATE-04] a soft remark is loud where it came up first and quiet from then on', async () => {
  const bench = await openBench();
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
  const bench = await openBench();
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

test('[SOFT-04] what of the sign in nobody ticked is said at time out, what was skipped is said already', async () => {
  const bench = await openBench();
  const { session } = bench;
  const unticked = () => untickedItems(session.steps, session.events);
  expect(unticked()).toHaveLength(8);
  for (let turn = 0; turn < 8; turn += 1) {
    await session.pass(['done', 'not-seen', 'skipped'][turn % 3] as 'done', {
      reason: 'Emergency',
    });
    await bench.pass();
  }
  expect(unticked()).toEqual(['Consent', 'Airway', 'Kit laid out and counted']);
});

test('[HARD-06] two answers in the plan are one gate, passed once by going on with an own plan', async () => {
  const bench = await openBench();
  bench.write([{ record: 'case/c1', set: { needle: { gauge: 22 } } }], 'two');
  const split = new Bench(bench.disk.reopen());
  await split.settle();

  const gate = enter(split, 'injection', 500);
  expect(gate?.gate.text).toBe(
    'Two answers wait: needle. Choose one; nothing is calculated from them until then.',
  );
  const override = passing(split, gate ? [gate] : [], 'measured-again');
  await split.session.goOnWithOwnPlan(override, 'staff/endoscopist');
  await split.pass();
  expect(enter(split, 'injection', 500)).toBeNull();
});

test('[GATE-05] what came up at a step is named by what is recorded there, and by nothing else', async () => {
  const bench = await openBench();
  const shown = (step: string) =>
    bench.store
      .read({ kind: 'step_event', parent: 'case/c1' })
      .filter((event) => textOf(event, 'step') === step)
      .map(
        (event) => (event.fields.answers?.values[0]?.value as { gates_shown?: Json })?.gates_shown,
      );
  await passStep(bench, 'distance', { amount: 23_000 });
  const gate = enter(bench, 'stop_set', 24_000);
  bench.session.noteRaised(gate ? [gate] : []);
  await bench.session.pass('not-seen', { gateStood: gate?.gate.cause ?? '' });
  await bench.pass();
  await passStep(bench, 'tip_seen');

  expect(shown('stop_set')).toEqual([['HARD-05 stop_beyond_distance']]);
  expect(shown('tip_seen')).toEqual([undefined]);
});

test('a flush passed with no amount is counted as such, and in no tally', async () => {
  const bench = await openBench();
  await passStep(bench, 'needle_flushed');
  await passStep(bench, 'needle_flushed', { amount: 2_000, medium: 'saline' });
  await passStep(bench, 'needle_patent');

  expect(bench.session.totals.flushUl).toBe(2_000);
  expect(bench.session.flushesWithoutAmount()).toBe(2);
  expect(bench.session.flushesWithoutAmount('Varix A')).toBe(2);
  expect(bench.session.flushesWithoutAmount('Varix B')).toBe(0);
});
