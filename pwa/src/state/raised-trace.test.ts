/** [GATE-05] What came up on Plan and at Close-out is named by what is recorded next there. */
import { beforeEach, expect, test } from 'vitest';
import { type Bench, openBench } from './bedside-bench';
import { CloseOutSession } from './close-out.svelte';
import { confirmedBy } from './confirmed-by';
import { CasePlan } from './plan.svelte';
import { type Json, structureOf, textOf } from './shown';

let bench: Bench;
beforeEach(async () => {
  bench = await openBench();
});

/** Step and causes of every step event that names some, and whether it still stands. */
function traces(): { step: string; causes: Json | undefined }[] {
  return bench.store
    .read({ kind: 'step_event', parent: 'case/c1' })
    .filter((event) => !event.isEnteredInError)
    .map((event) => ({
      step: textOf(event, 'step'),
      causes: structureOf(event, 'answers')?.gates_shown,
    }))
    .filter(({ causes }) => causes !== undefined);
}

async function openPlan(): Promise<CasePlan> {
  const work = new CasePlan(bench.app, 'c1');
  await bench.settle();
  return work;
}

async function estimate(work: CasePlan, origin: string): Promise<void> {
  const [target] = work.targets;
  if (target === undefined) throw new Error('no target');
  work.answerTarget(target, 'size', 'origin', origin, origin);
  await bench.pass();
}

test('[GATE-05] a remark on Plan is named by the next act there, once a case', async () => {
  // Planted bug that this caught: each act named everything that ever came up again.
  const work = await openPlan();
  const remarks = work.gatesOn({ estimated_inputs: ['Varix A'] });
  expect(remarks).toHaveLength(1);
  await estimate(work, 'estimated');
  expect(traces()).toEqual([]);

  work.noteRaised(remarks);
  await estimate(work, 'measured');
  await estimate(work, 'earlier-record');

  const causes = remarks.map(({ gate }) => gate.cause);
  expect(traces()).toEqual([{ step: 'plan', causes }]);
  const again = await openPlan();
  again.noteRaised(remarks);
  await estimate(again, 'measured');
  expect(traces()).toHaveLength(1);
});

test('[GATE-05] undo takes back the act and leaves what came up, which is no act of the bedside', async () => {
  // Planted bug that this caught: the trace was shown as the last act of the procedure.
  const work = await openPlan();
  work.noteRaised(work.gatesOn({ estimated_inputs: ['Varix A'] }));
  await estimate(work, 'estimated');
  await work.acts.undo();
  await bench.pass();

  expect(textOf(work.targets[0], 'label')).toBe('Varix A');
  expect(structureOf(work.targets[0] ?? null, 'size')?.origin).toBe('measured');
  expect(traces()).toHaveLength(1);
  expect([bench.session.acts, bench.session.startedAt]).toEqual([[], '']);
  expect(bench.session.events).toEqual([]);
});

test('[GATE-05] a save that failed leaves the remark to the next one', async () => {
  const work = await openPlan();
  work.noteRaised(work.gatesOn({ estimated_inputs: ['Varix A'] }));
  bench.isFull = true;
  await estimate(work, 'estimated');
  bench.isFull = false;
  expect(traces()).toEqual([]);

  await estimate(work, 'estimated');
  expect(traces()).toHaveLength(1);
});

test('[GATE-05] a gate that was followed at Close-out is named by what was recorded there', async () => {
  bench.write(
    [{ record: 'package_opened/k1', set: { case: 'case/c1', item: 'coil', fate: 'open' } }],
    '3',
  );
  const closing = new CloseOutSession(bench.app, 'c1');
  await bench.settle();
  const causes = closing.gates.map(({ gate }) => gate.cause);
  expect(causes.length).toBeGreaterThan(0);
  closing.noteRaised(closing.gates);

  const opened = closing.record.all('package_opened').at(-1);
  if (opened === undefined) throw new Error('no package');
  await closing.packages.end(opened, 'discarded', 'Discarded');
  await bench.pass();

  expect(traces()).toEqual([{ step: 'close_out', causes }]);
  expect(closing.answers).toBeNull();
});

test('[GATE-05] a gate that came up and was passed with the signature stands in it, and the signature holds', async () => {
  // Planted bug that this caught: the trace beside a signature changed what had been signed.
  bench.write([{ record: 'case/c1', set: { no_follow_up_because: 'transferred' } }], '4');
  const closing = new CloseOutSession(bench.app, 'c1');
  await bench.settle();
  expect(closing.gates).toEqual([]);
  closing.noteRaised([{ gate: { cause: 'HARD-08 counts_differ coil' } } as never]);

  expect(await closing.sign(confirmedBy('staff/endoscopist'), [])).toBe(true);
  await bench.pass();

  expect(traces()).toEqual([]);
  expect(structureOf(closing.signature, 'outcome')?.gates_shown).toEqual([
    'HARD-08 counts_differ coil',
  ]);
  expect(closing.isChanged).toBe(false);
});
