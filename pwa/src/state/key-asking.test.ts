/** Proves how a tablet asks the unit for its key: by itself while digits are compared [RQ7] [SE4]. */
import { beforeEach, expect, test } from 'vitest';
import type { RecoveryAnswer } from '../ports';
import { ASK_AGAIN_MS, KeyAsking } from './key-asking.svelte';

const WAITS: RecoveryAnswer = { kind: 'waits', digits: '402817' };
const UNHEARD: RecoveryAnswer = { kind: 'unheard', sentence: 'No answer.' };
const REFUSED: RecoveryAnswer = { kind: 'refused', sentence: 'No.' };

let answers: (RecoveryAnswer | Error)[];
let codes: string[];
let recovered: number;
/** What is to be done later; called off where it is null. */
let timers: { waitMs: number; work: (() => void) | null }[];

beforeEach(() => {
  answers = [];
  codes = [];
  recovered = 0;
  timers = [];
});

function asking(): KeyAsking {
  return new KeyAsking({
    keys: {
      recover: async (code) => {
        codes.push(code);
        const answer = answers.shift() ?? WAITS;
        if (answer instanceof Error) throw answer;
        return answer;
      },
    },
    later: (waitMs, work) => {
      const timer: (typeof timers)[number] = { waitMs, work };
      timers.push(timer);
      return () => {
        timer.work = null;
      };
    },
    recovered: () => {
      recovered++;
    },
  });
}

/** Let the time come that was asked for last; false where nothing waits for it. */
async function comeLater(): Promise<boolean> {
  const work = timers.at(-1)?.work ?? null;
  if (work === null) return false;
  work();
  for (let turn = 0; turn < 10; turn++) await Promise.resolve();
  return true;
}

/** Caught, as it stood: asked once, shown as a stop, and asked again by a person alone. */
test('while its digits are compared it asks again by itself, until the key is back', async () => {
  const asks = asking();
  answers = [WAITS, WAITS, UNHEARD, { kind: 'recovered' }];

  await asks.ask('CODE');
  expect([asks.digits, asks.sentence, asks.isBusy]).toEqual(['402817', '', false]);
  expect(timers.map(({ waitMs }) => waitMs)).toEqual([ASK_AGAIN_MS]);
  await comeLater();
  await comeLater();
  // The network went: what is compared stays on the screen.
  expect([asks.digits, asks.sentence]).toEqual(['402817', 'No answer.']);
  await comeLater();

  expect(recovered).toBe(1);
  expect(codes).toEqual(['CODE', '', '', '']);
  expect(timers).toHaveLength(3);
});

test('a refusal ends it: the digits go, and the reason stands', async () => {
  const asks = asking();
  answers = [WAITS, REFUSED];
  await asks.ask('CODE');
  await comeLater();
  expect([asks.digits, asks.sentence]).toEqual(['', 'No.']);
  expect(timers).toHaveLength(1);
});

test.each<[string, RecoveryAnswer | Error, string]>([
  ['refused', REFUSED, 'No.'],
  ['unheard', UNHEARD, 'No answer.'],
  ['failed', new Error('no worker'), 'no worker'],
])('%s at once, nothing is asked by itself', async (_, answer, sentence) => {
  const asks = asking();
  answers = [answer];
  await asks.ask('CODE');
  expect([asks.digits, asks.sentence, asks.isBusy]).toEqual(['', sentence, false]);
  expect(timers).toEqual([]);
});

/** The planted bug it has caught: an answer under way that put the digits back after the way out. */
test('stopped, it asks no more, also where an answer was under way', async () => {
  const asks = asking();
  await asks.ask('CODE');
  asks.stop();
  expect(asks.digits).toBe('');
  expect(await comeLater()).toBe(false);

  const underWay = asks.ask('');
  asks.stop();
  await underWay;
  expect(asks.digits).toBe('');
  expect(await comeLater()).toBe(false);
  expect(codes).toEqual(['CODE', '']);
});

test('a key that comes after the way out is taken all the same: the keys here are new ones', async () => {
  const asks = asking();
  answers = [{ kind: 'recovered' }];
  const underWay = asks.ask('CODE');
  asks.stop();
  await underWay;
  expect(recovered).toBe(1);
});
