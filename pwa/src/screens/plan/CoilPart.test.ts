/** How many coils Plan says there are: what the shelf counts, in the list of coils and in that of the lay-out. */
import type { Component } from 'svelte';
import { render } from 'svelte/server';
import { expect, test } from 'vitest';
import { AnswerActs } from '../../state/answer-acts.svelte';
import { type App, provideApp } from '../../state/app';
import { type Bench, openBench } from '../../state/bedside-bench';
import { CaseLayOut } from '../../state/lay-out.svelte';
import { CasePlan } from '../../state/plan.svelte';
import { StockDesk } from '../../state/stock.svelte';
import CoilPart from './CoilPart.svelte';

const STOCK = 'stock_item/s14';

async function openPlan() {
  const bench = await openBench();
  const store = Object.assign(bench.app.store, {
    droppedCases: async () => [],
    unsentRecords: async () => [],
    askClinic: async () => ({ kind: 'not-told', sentence: 'Not reached.' }),
  });
  const app = { ...bench.app, store } as App;
  const [work, shelf] = [new CasePlan(app, 'c1'), new StockDesk(app)];
  await bench.pass();
  return { bench, app, work, shelf };
}
type Plan = Awaited<ReturnType<typeof openPlan>>;

/** Return what stands beside the coil: its count, then with how many a plan counts. */
function draw({ app, work, shelf }: Plan): string {
  const Framed = ((renderer: never) => {
    provideApp(app);
    return (CoilPart as unknown as (renderer: never, props: object) => void)(renderer, {
      work,
      shelf,
    });
  }) as unknown as Component;
  const html = render(Framed, { context: new Map() }).body;
  const words = html.replaceAll(/<[^>]*>/g, ' ').replaceAll(/\s+/g, ' ');
  return /long (.*?) (?:, |Add a coil)/.exec(`${words} Add a coil`)?.[1]?.trim() ?? words;
}

async function move(bench: Bench, change: number, lot: string, expires_on: string) {
  const id = `${lot}-${change}`;
  await bench.app.tablet.save([
    {
      draftId: id,
      record: `stock_movement/${id}`,
      set: { stock: STOCK, device: { lot, expires_on }, change, reason: 'delivered' },
    },
  ]);
  await bench.pass();
}

/** Caught, as it stood: the list of coils told what somebody had typed, the lay-out list the shelf. */
test('[SK1] [SK5] one count of a coil, and with how many a plan counts where that is another', async () => {
  const plan = await openPlan();
  const { bench, app, work, shelf } = plan;
  const [item] = work.stockOf('coil');
  const typed = Number(item?.fields.count?.values[0]?.value);
  expect(draw(plan)).toBe(`not counted A plan counts with ${typed}: set under Stock.`);

  await move(bench, typed + 2, 'L-1', '2028-04-30');
  const list = new CaseLayOut(app, work.record, new AnswerActs(app), shelf);
  await bench.pass();
  const line = () => list.lines.find(({ stock_id }) => stock_id === STOCK);
  expect(line()?.on_shelf).toBe(typed + 2);
  expect(draw(plan)).toBe(
    `${typed + 2} on the shelf A plan counts with ${typed}: set under Stock.`,
  );

  // Two have expired meanwhile: the rest is what the plan counts with.
  await move(bench, -2, 'L-1', '2028-04-30');
  await move(bench, 2, 'L-2', '2025-04-30');
  expect(draw(plan)).toContain(`${typed + 2} on the shelf, ${typed} usable`);
  expect(draw(plan)).not.toContain('A plan counts');

  // What is laid out for this case is off the shelf, and none of it is missing to the plan.
  const laidOut = line();
  if (laidOut) await list.layOut(laidOut, 'Laid out');
  await bench.pass();
  const left = line()?.on_shelf;
  expect(left).toBeLessThan(typed + 2);
  expect(draw(plan)).toContain(`${left} on the shelf`);
  expect(draw(plan)).not.toContain('A plan counts');
});
