/** The answer area as it is drawn: what it asks while something stands already. */
import type { Component } from 'svelte';
import { render } from 'svelte/server';
import { expect, test } from 'vitest';
import type { Step } from '../../clinical-rules/step-protocol';
import { provideApp } from '../../state/app';
import { type Bench, openBench } from '../../state/bedside-bench';
import { provideBedsideTablet } from '../../state/bedside-tablet';
import { structureOf } from '../../state/shown';
import StepAnswer from './StepAnswer.svelte';

/** Return the answer area of a step as HTML. */
function draw(bench: Bench, step: Step): string {
  const props = { session: bench.session, step, skip: () => undefined, notSo: () => undefined };
  const Framed = ((renderer: never) => {
    provideApp(bench.app);
    provideBedsideTablet({ labels: { listen: () => () => undefined } } as never);
    return (StepAnswer as unknown as (renderer: never, props: object) => void)(renderer, props);
  }) as unknown as Component;
  return render(Framed, { context: new Map() }).body;
}

async function passStep(bench: Bench, id: string, more = {}): Promise<void> {
  const step = bench.session.steps.find((one) => one.id === id);
  if (step === undefined) throw new Error(`no step ${id}`);
  bench.session.jumpTo(step);
  await bench.session.pass('done', more);
  await bench.pass();
}

/** Caught, as it stood: with one ampoule open no other could be named, and it was chosen by id. */
test('the second ampoule is asked for, and the second injection bears its lot', async () => {
  const bench = await openBench();
  await bench.app.tablet.save([
    {
      draftId: 'adhesive',
      record: 'stock_item/g1',
      set: {
        item: 'adhesive',
        name: 'Adhesive 0.5 mL',
        adhesive: { agent: '2-octyl-cyanoacrylate' },
        lots: [{ lot: 'AMP-1' }, { lot: 'AMP-2' }],
      },
    },
  ]);
  // Laid out before the first was opened: its id is the older one.
  await bench.app.tablet.save([
    {
      draftId: 'a0',
      record: 'package_opened/a0',
      set: {
        case: 'case/c1',
        item: 'adhesive',
        stock_id: 'stock_item/g1',
        device: { lot: 'AMP-2' },
        fate: 'open',
      },
    },
  ]);
  await bench.pass();
  const [stock] = bench.session.adhesives;
  const [first, second] = stock?.lots ?? [];
  const drawn = (): string => {
    const step = bench.session.steps.find(({ id }) => id === 'aliquot_ready');
    if (step === undefined) throw new Error('no step');
    bench.session.jumpTo(step);
    return draw(bench, step);
  };
  expect(drawn()).not.toContain('Ampoule in use');
  await passStep(bench, 'aliquot_ready', { stock, lot: first });
  await passStep(bench, 'injection', { amount: 500 });
  expect(drawn()).toMatch(/Ampoule in use.*AMP-1/s);
  expect(drawn()).toMatch(/<button.*AMP-2/s);
  await passStep(bench, 'aliquot_ready', { stock, lot: second });
  await passStep(bench, 'injection', { amount: 500 });
  // With nothing pressed the ampoule stays in use.
  await passStep(bench, 'aliquot_ready', { stock: null, lot: undefined });
  await passStep(bench, 'injection', { amount: 500 });

  const lots = bench.store
    .read({ kind: 'adhesive_injected', parent: 'case/c1' })
    .map((one) => structureOf(one, 'device')?.lot);
  expect(lots).toEqual(['AMP-1', 'AMP-2', 'AMP-2']);
  expect(bench.standing('package_opened')).toBe(2);
});
