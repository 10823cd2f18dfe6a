/** Proves how a PIN is chosen: judged at its first press, kept at the second [SEC-11]. */
import { expect, test } from 'vitest';
import { NewPin } from './new-pin.svelte';

const WEAK = '123456';
const GOOD = '407182';

function choose(keepAnswers: readonly unknown[] = [{ kind: 'right' }]) {
  const answers = [...keepAnswers];
  const kept: string[] = [];
  const chosen = new NewPin({
    judge: async (pin) =>
      pin === WEAK ? { kind: 'refused', sentence: 'Too easy.' } : { kind: 'right' },
    keep: async (pin) => {
      kept.push(pin);
      const answer = answers.shift();
      if (answer instanceof Error) throw answer;
      return answer as never;
    },
  });
  return { chosen, kept };
}

/** Caught, as it stood: a PIN that may not be chosen had to be pressed twice to be refused. */
test('a weak PIN is refused at its first press, with the reason', async () => {
  const { chosen, kept } = choose();

  expect(await chosen.enter(WEAK)).toBe(false);

  expect(chosen.outcome).toEqual({ kind: 'refused', sentence: 'Too easy.' });
  expect(chosen.isAgain).toBe(false);
  expect(kept).toEqual([]);
});

test('after a weak one, a good one is pressed twice and kept', async () => {
  const { chosen, kept } = choose();
  await chosen.enter(WEAK);
  expect(await chosen.enter(GOOD)).toBe(false);
  expect([chosen.isAgain, chosen.outcome, kept]).toEqual([true, null, []]);

  expect(await chosen.enter(GOOD)).toBe(true);

  expect([chosen.isAgain, chosen.outcome, kept]).toEqual([false, null, [GOOD]]);
});

test('two that differ begin again, and the second of them is no first', async () => {
  const { chosen, kept } = choose();
  await chosen.enter(GOOD);
  await chosen.enter('730152');
  expect([chosen.isAgain, chosen.outcome]).toEqual([false, { kind: 'not-same' }]);

  await chosen.enter('730152');
  expect(chosen.isAgain).toBe(true);
  expect(kept).toEqual([]);
});

/** The planted bug it has caught: keys dead for good after an answer that never came. */
test('what is refused or fails at the end is told, and can be chosen anew', async () => {
  const refused = { kind: 'refused', sentence: 'This code was used.' };
  const { chosen } = choose([refused, new Error('no worker'), { kind: 'right' }]);

  await chosen.enter(GOOD);
  expect(await chosen.enter(GOOD)).toBe(false);
  expect(chosen.outcome).toEqual(refused);
  await chosen.enter(GOOD);
  expect(await chosen.enter(GOOD)).toBe(false);
  expect(chosen.outcome).toEqual({ kind: 'failed', why: 'no worker' });
  expect([chosen.isBusy, chosen.isAgain]).toEqual([false, false]);

  await chosen.enter(GOOD);
  expect(await chosen.enter(GOOD)).toBe(true);
});
