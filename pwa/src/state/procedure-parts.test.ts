import { expect, test } from 'vitest';
import { type Bench, openAgain, openBench, openEmergency } from './bedside-bench';
import { answersOfParts, partsAtHand, partsInAnswers, type SaidParts } from './procedure-parts';
import { valuesOf } from './shown';
import { pureText } from './tally';

const ITEMS = [
  { record: 'stock_item/g1', agent: '2-octyl-cyanoacrylate', lot: 'G-1' },
  { record: 'stock_item/g2', agent: 'n-butyl-2-cyanoacrylate', lot: 'G-2' },
].map(({ record, agent, lot }) => ({
  record,
  set: { item: 'adhesive', name: agent, adhesive: { agent }, lots: [{ lot }] },
}));

async function passStep(bench: Bench, id: string, more = {}, how: 'done' | 'skipped' = 'done') {
  goTo(bench, id);
  await bench.session.pass(how, more);
  await bench.pass();
}

function goTo(bench: Bench, id: string): void {
  const step = bench.session.steps.find((one) => one.id === id);
  if (step === undefined) throw new Error(`no step ${id}`);
  bench.session.jumpTo(step);
}

/** Return whether the parts are asked for at "aliquot ready", and what stands there. */
function asked(bench: Bench): { isAsked: boolean; said: SaidParts | null } {
  goTo(bench, 'aliquot_ready');
  const { isAsked, said } = partsAtHand(bench.session);
  bench.session.leaveJump();
  return { isAsked, said };
}

/** Caught, as it stood: without a plan nobody was asked, and the pure mL stayed "?" for ever. */
test('[HAZ-04] parts said at "aliquot ready" make the pure amount known, also after a restart', async () => {
  const bench = await openEmergency(ITEMS);
  expect(asked(bench)).toEqual({ isAsked: true, said: null });

  await passStep(bench, 'aliquot_ready', { parts: { adhesive: 1, oil: 1 } });
  const again = await openAgain(bench.disk, bench.wallMs + 30_000);
  expect(asked(again)).toEqual({ isAsked: false, said: { adhesive: 1, oil: 1 } });
  expect(again.session.adhesive).toMatchObject({ partsAdhesive: 1, partsOil: 1 });
  await passStep(again, 'injection', { amount: 1_000 });

  expect(again.session.totals).toMatchObject({ pureUl: 500, mixUl: 1_000 });
  expect(pureText(again.session.totals)).toBe('0.5');
  const [injected] = again.store.read({ kind: 'adhesive_injected', parent: 'case/c2' });
  expect(valuesOf(injected, 'amount')[0]?.value).toEqual({
    parts_adhesive: 1,
    parts_oil: 1,
    mix_ul: 1_000,
  });
});

test('[HAZ-04] nobody has to answer: the aliquot is recorded, and it is asked again', async () => {
  const bench = await openEmergency(ITEMS);
  await passStep(bench, 'aliquot_ready');
  await passStep(bench, 'injection', { amount: 1_000 });

  expect(bench.session.totals).toMatchObject({ pureUl: 0, mixOfUnknownPartsUl: 1_000 });
  expect(asked(bench)).toEqual({ isAsked: true, said: null });

  // What is said then is true of what follows, not of what was given before.
  await passStep(bench, 'aliquot_ready', { parts: { adhesive: 1, oil: 0 } });
  await passStep(bench, 'injection', { amount: 500 });
  expect(bench.session.totals).toMatchObject({ pureUl: 500, mixOfUnknownPartsUl: 1_000 });
});

test('[HAZ-04] "not known" is an answer: kept, not asked again, and no number comes of it', async () => {
  const bench = await openEmergency(ITEMS);
  await passStep(bench, 'aliquot_ready', { parts: 'unknown' });
  await passStep(bench, 'injection', { amount: 1_000 });

  expect(asked(bench)).toEqual({ isAsked: false, said: 'unknown' });
  expect(pureText(bench.session.totals)).toBe('?');
  expect(bench.session.acts.at(-2)?.set.answers).toEqual({ parts_unknown: true });

  await passStep(bench, 'aliquot_ready', { parts: { adhesive: 5, oil: 8 } });
  expect(asked(bench).said).toEqual({ adhesive: 5, oil: 8 });
});

test('[HAZ-16] undoing the step takes its parts back', async () => {
  const bench = await openEmergency(ITEMS);
  await passStep(bench, 'aliquot_ready', { parts: { adhesive: 1, oil: 0 } });
  await bench.session.undo();
  await bench.pass();

  expect(asked(bench)).toEqual({ isAsked: true, said: null });
});

/** Planted: what was said of one adhesive taken for the next one. */
test('[HAZ-04] an ampoule of another adhesive is asked about anew, as soon as it is pressed', async () => {
  const bench = await openEmergency(ITEMS);
  const [octyl, butyl] = ITEMS.map(({ record }) =>
    bench.session.adhesives.find((one) => one.record === record),
  );
  const take = (stock: typeof octyl) => ({ stock, lot: stock?.lots[0] });
  await passStep(bench, 'aliquot_ready', { ...take(octyl), parts: { adhesive: 1, oil: 0 } });
  expect(bench.session.adhesive).toMatchObject({ agent: '2-octyl-cyanoacrylate', partsOil: 0 });

  goTo(bench, 'aliquot_ready');
  bench.session.answer({ ...take(butyl), stock: butyl ?? null });
  expect(partsAtHand(bench.session)).toEqual({ said: null, isAsked: true, isSaidHere: false });
  await bench.session.pass('done');
  await bench.pass();

  expect(bench.session.adhesive).toMatchObject({
    agent: 'n-butyl-2-cyanoacrylate',
    partsAdhesive: null,
    partsOil: null,
  });
  expect(asked(bench).isAsked).toBe(true);
});

test('parts are kept of a step skipped, and not of one that was not so', async () => {
  const bench = await openEmergency(ITEMS);
  goTo(bench, 'aliquot_ready');
  await bench.session.pass('not-seen', { parts: { adhesive: 1, oil: 0 } });
  await bench.pass();
  expect(asked(bench).said).toBeNull();

  await passStep(bench, 'aliquot_ready', { parts: { adhesive: 1, oil: 0 } }, 'skipped');
  expect(asked(bench).said).toEqual({ adhesive: 1, oil: 0 });
});

test('a plan that holds the parts is not asked about', async () => {
  const bench = await openBench();
  goTo(bench, 'aliquot_ready');

  expect(partsAtHand(bench.session)).toEqual({ said: null, isAsked: false, isSaidHere: false });
});

test.each([
  [
    { parts_adhesive: 5, parts_oil: 7 },
    { adhesive: 5, oil: 7 },
  ],
  [{ parts_unknown: true }, 'unknown'],
  // Half an answer is none, and no part of adhesive is no mix of it.
  [{ parts_adhesive: 1 }, null],
  [{ parts_adhesive: 0, parts_oil: 1 }, null],
  [{ parts_adhesive: 1.5, parts_oil: 1 }, null],
  [null, null],
])('answers of %j say %j', (answers, said) => {
  expect(partsInAnswers(answers)).toEqual(said);
  if (said !== null) expect(answersOfParts(said as SaidParts)).toEqual(answers);
});
