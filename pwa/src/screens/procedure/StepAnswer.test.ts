/** The answer area as it is drawn: what it asks while something stands already. */
import type { Component } from 'svelte';
import { render } from 'svelte/server';
import { expect, test } from 'vitest';
import type { Step } from '../../clinical-rules/step-protocol';
import { provideApp } from '../../state/app';
import { type Bench, openBench, openEmergency } from '../../state/bedside-bench';
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

/** Return an emergency, its distance recorded where one is given. */
async function openUnplanned(distanceUm: number | null): Promise<Bench> {
  const bench = await openEmergency();
  if (distanceUm !== null) await passStep(bench, 'distance', { amount: distanceUm });
  return bench;
}

function drawStop(bench: Bench): string {
  const step = bench.session.steps.find(({ id }) => id === 'stop_set');
  if (step === undefined) throw new Error('no step');
  bench.session.jumpTo(step);
  return draw(bench, step);
}

/** Caught, as it stood: it started at all of the 25 mm. */
test('[SZ9] without a plan the stop starts below the distance, and its margin is shown', async () => {
  const drawn = drawStop(await openUnplanned(25_000));

  expect(drawn).toContain('2 mm below distance: 23 mm');
  expect(drawn).toContain('2 mm less: 23 mm');
  expect(drawn).toContain('25 mm − 2 mm = 23 mm, down to 1 mm steps');
  expect(drawn).toContain('From sizing/limits v2.');
});

test('[SZ9] a distance other than the planned one has the margin taken off as well', async () => {
  const bench = await openBench();
  await passStep(bench, 'distance', { amount: 27_000 });
  const drawn = drawStop(bench);

  expect(drawn).toContain('Distance differs: no planned stop.');
  expect(drawn).toContain('27 mm − 2 mm = 25 mm');
});

test('[HAZ-09] without a distance the stop starts nowhere, and it says to measure', async () => {
  const drawn = drawStop(await openUnplanned(null));

  expect(drawn).toContain('No distance yet: measure it first.');
  expect(drawn).not.toMatch(/\d mm/);
});

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

/** Caught, as it stood: lots that were only delivered were no buttons, and a fifth one was cut off. */
test('lots of a delivery are buttons, and how many more there are is said', async () => {
  const bench = await openBench();
  const lots = ['2027-05-31', '2027-01-31', '2026-01-31', '2027-03-31', '2027-02-28', '2027-04-30'];
  await bench.app.tablet.save([
    {
      draftId: 'adhesive',
      record: 'stock_item/g1',
      set: {
        item: 'adhesive',
        name: 'Adhesive 0.5 mL',
        adhesive: { agent: '2-octyl-cyanoacrylate' },
      },
    },
    ...lots.map((expires_on) => ({
      draftId: `delivery ${expires_on}`,
      record: `stock_movement/${expires_on}`,
      set: {
        stock: 'stock_item/g1',
        device: { lot: `AMP-${expires_on.slice(2, 7)}`, expires_on },
        change: 1,
        reason: 'delivered',
      },
    })),
  ]);
  await bench.pass();
  const step = bench.session.steps.find(({ id }) => id === 'aliquot_ready');
  if (step === undefined) throw new Error('no step');
  bench.session.jumpTo(step);
  const html = draw(bench, step);

  expect(html.match(/AMP-\d\d-\d\d/g)).toEqual([
    'AMP-27-01',
    'AMP-27-02',
    'AMP-27-03',
    'AMP-27-04',
  ]);
  expect(html).toContain('2 more lots');
});
