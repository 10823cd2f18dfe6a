import { expect, test } from 'vitest';
import type { DeskPort } from '../desk-questions';
import { AskedOfDesk } from './asked-of-desk.svelte';
import { UnitDesk } from './unit-desk.svelte';

function deskOf(answer: () => unknown) {
  const asked: string[] = [];
  const port = {
    ask: async (question: string) => {
      asked.push(question);
      await Promise.resolve();
      const found = answer();
      return typeof found === 'string'
        ? { kind: 'not-told', sentence: found }
        : { kind: 'told', answer: found };
    },
  } as unknown as DeskPort;
  return { asked, desk: new UnitDesk(port, () => 0, 'hub') };
}
const settle = () => new Promise((resolve) => setTimeout(resolve, 0));

/** Caught: each list of a desk was asked for twice, and each look stood twice in the trail. */
test('a list is not asked for again in the moment between its answer and its being shown', async () => {
  const { desk, asked } = deskOf(() => ({ as_of_ms: 1, units: [] }));
  const fleet = new AskedOfDesk(desk, 'fleet', () => null);
  const whole = desk.ask.bind(desk);
  desk.ask = async (question, asks) => {
    const told = await whole(question, asks);
    // The desk is free: an effect that waited for it comes now.
    fleet.loadOnce();
    return told;
  };
  fleet.loadOnce();
  await settle();

  expect([asked.length, fleet.told]).toEqual([1, { as_of_ms: 1, units: [] }]);
});

/** Has caught a planted bug: without the look at the refusal, a refused list was asked for on and on. */
test('a list is asked for once; a refusal stays with it and is not asked again by itself', async () => {
  let answer: unknown = 'Fleet is for the data manager.';
  const { desk, asked } = deskOf(() => answer);
  const fleet = new AskedOfDesk(desk, 'fleet', () => null);
  fleet.loadOnce();
  fleet.loadOnce();
  await settle();
  fleet.loadOnce();
  await settle();

  expect([asked.length, fleet.told, fleet.refusal]).toEqual([1, null, answer]);
  // The head of the desk keeps silent: the sentence stands where the list would.
  expect(desk.notTold).toBe('');

  answer = { as_of_ms: 1, units: [] };
  await fleet.load();
  expect([fleet.told, fleet.refusal]).toEqual([answer, '']);
  fleet.loadOnce();
  await settle();
  expect(asked.length).toBe(2);
});

test('what was told stays on screen where it is refused later', async () => {
  let answer: unknown = { as_of_ms: 1, units: [] };
  const { desk } = deskOf(() => answer);
  const fleet = new AskedOfDesk(desk, 'fleet', () => null);
  await fleet.load();
  answer = 'The server is away.';
  await fleet.load();

  expect([fleet.told, fleet.refusal]).toEqual([{ as_of_ms: 1, units: [] }, answer]);
});

test('while the desk asks something else nothing is asked, and nothing is called refused', async () => {
  const { desk, asked } = deskOf(() => ({ as_of_ms: 1, units: [] }));
  const [one, other] = [1, 2].map(() => new AskedOfDesk(desk, 'fleet', () => null));
  const first = one?.load();
  other?.loadOnce();
  await other?.load();
  await first;

  expect([asked.length, other?.told, other?.refusal]).toEqual([1, null, '']);
  other?.loadOnce();
  await settle();
  expect(other?.told).not.toBeNull();
});

test('an act that was refused leaves the list as it was', async () => {
  const { desk } = deskOf(() => ({ as_of_ms: 1, units: [] }));
  const fleet = new AskedOfDesk(desk, 'fleet', () => null);
  await fleet.load();

  expect([fleet.take(null), fleet.told?.as_of_ms]).toEqual([false, 1]);
  expect([fleet.take({ as_of_ms: 2, units: [] }), fleet.told?.as_of_ms]).toEqual([true, 2]);
});
