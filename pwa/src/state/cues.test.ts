import { expect, test } from 'vitest';
import { CUES, type Cue, type Loudness } from './cue-tones';
import { APART_MS, Cues, SHOWN_MS } from './cues.svelte';

/** Sound, clock and waiting of a test. */
class Bench {
  isRunning = false;
  played: Float32Array[] = [];
  unlocks = 0;
  nowMs = 0;
  loudness: Loudness = 'normal';
  #listener: () => void = () => {};
  #due: { atMs: number; work: () => void }[] = [];
  readonly cues = new Cues(
    {
      unlock: () => {
        this.unlocks += 1;
      },
      isRunning: () => this.isRunning,
      perSecond: () => 8_000,
      play: (samples) => this.played.push(samples),
      onChange: (listener) => {
        this.#listener = listener;
      },
    },
    () => this.loudness,
    () => this.nowMs,
    (waitMs, work) => {
      const one = { atMs: this.nowMs + waitMs, work };
      this.#due.push(one);
      return () => {
        this.#due = this.#due.filter((other) => other !== one);
      };
    },
  );

  run(isRunning: boolean): void {
    this.isRunning = isRunning;
    this.#listener();
  }

  pass(ms: number): void {
    this.nowMs += ms;
    for (const one of this.#due.filter(({ atMs }) => atMs <= this.nowMs)) {
      this.#due = this.#due.filter((other) => other !== one);
      one.work();
    }
  }
}

test('[HAZ-19] with sound suspended each cue is shown at once, and the silence is told', () => {
  const bench = new Bench();
  for (const cue of CUES) {
    bench.cues.give(cue);
    expect(bench.cues.shown).toBe(cue);
  }
  expect(bench.played).toEqual([]);
  expect(bench.cues.isMute).toBe(true);

  bench.run(true);
  expect(bench.cues.isMute).toBe(false);
  bench.run(false);
  expect(bench.cues.isMute).toBe(true);
});

test('[UX-13] off is silent and says nothing is wrong; the cue is shown all the same', () => {
  const bench = new Bench();
  bench.loudness = 'off';
  bench.run(true);
  bench.cues.give('blocked');
  bench.cues.unlock();

  expect([bench.cues.shown, bench.cues.isMute, bench.played.length, bench.unlocks]).toEqual([
    'blocked',
    false,
    0,
    0,
  ]);
});

/** Has caught: no gap between two sounds. */
test('[HAZ-20] whatever is given, no two sounds follow within 1.5 s: there is no burst', () => {
  const bench = new Bench();
  bench.run(true);
  const soundedAt: number[] = [];
  for (let turn = 0; turn < 2_000; turn++) {
    bench.cues.give(CUES[turn % CUES.length] as Cue);
    if (bench.played.length > soundedAt.length) soundedAt.push(bench.nowMs);
    bench.pass((turn * 37) % 400);
  }

  expect(soundedAt.length).toBeGreaterThan(100);
  for (let at = 1; at < soundedAt.length; at++) {
    expect((soundedAt[at] ?? 0) - (soundedAt[at - 1] ?? 0)).toBeGreaterThanOrEqual(APART_MS);
  }
});

test('a cue is shown for a while; a later one starts its own while', () => {
  const bench = new Bench();
  bench.cues.give('recorded');
  bench.pass(SHOWN_MS - 1);
  bench.cues.give('time');
  bench.pass(SHOWN_MS - 1);
  expect(bench.cues.shown).toBe('time');
  bench.pass(1);
  expect(bench.cues.shown).toBeNull();
});

test('[HAZ-19] a touch unlocks sound only while it does not play', () => {
  const bench = new Bench();
  bench.cues.unlock();
  bench.run(true);
  bench.cues.unlock();

  expect(bench.unlocks).toBe(1);
});
