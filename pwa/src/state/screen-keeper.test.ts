import { expect, test } from 'vitest';
import { ScreenKeeper } from './screen-keeper.svelte';

/** A wake lock of which a test says when it is given, refused and taken away. */
class Bench {
  isKnown = true;
  isRefused = false;
  requests = 0;
  releases = 0;
  becomeVisible: () => void = () => {};
  takeAway: () => void = () => {};
  #gates: (() => void)[] = [];
  isSlow = false;

  async request() {
    this.requests += 1;
    if (this.isSlow) await new Promise<void>((resolve) => this.#gates.push(resolve));
    if (this.isRefused) return null;
    return {
      onRelease: (listener: () => void) => {
        this.takeAway = listener;
      },
      release: () => {
        this.releases += 1;
      },
    };
  }

  onVisible(listener: () => void): void {
    this.becomeVisible = listener;
  }

  answer(): void {
    for (const open of this.#gates.splice(0)) open();
  }
}
const settle = () => new Promise((resolve) => setTimeout(resolve));

test('[HAZ-18] a lock that was taken away is asked for again as soon as the page is seen', async () => {
  const bench = new Bench();
  const keeper = new ScreenKeeper(bench);
  keeper.want(true);
  await settle();
  expect(keeper.state).toBe('kept-on');

  bench.takeAway();
  expect(keeper.state).toBe('may-sleep');
  bench.becomeVisible();
  await settle();

  expect([keeper.state, bench.requests]).toEqual(['kept-on', 2]);
});

test('[HAZ-18] a refused lock says that the screen may sleep, and a later look asks again', async () => {
  const bench = new Bench();
  bench.isRefused = true;
  const keeper = new ScreenKeeper(bench);
  keeper.want(true);
  await settle();
  expect(keeper.state).toBe('may-sleep');

  bench.isRefused = false;
  await keeper.look();
  expect(keeper.state).toBe('kept-on');
});

test('[HAZ-18] a browser without the lock is told apart and not asked', async () => {
  const bench = new Bench();
  bench.isKnown = false;
  const keeper = new ScreenKeeper(bench);
  keeper.want(true);
  await settle();

  expect([keeper.state, bench.requests]).toEqual(['cannot-keep', 0]);
});

/** Has caught: a second request while the first was under way, whose lock nobody gave back. */
test('[HAZ-18] whatever comes while it is asked, one lock is held, and none once unwanted', async () => {
  const bench = new Bench();
  bench.isSlow = true;
  const keeper = new ScreenKeeper(bench);
  keeper.want(true);
  bench.becomeVisible();
  bench.becomeVisible();
  keeper.want(false);
  keeper.want(true);
  bench.answer();
  await settle();
  expect([keeper.state, bench.requests, bench.releases]).toEqual(['kept-on', 1, 0]);

  bench.takeAway();
  bench.becomeVisible();
  keeper.want(false);
  bench.answer();
  await settle();
  expect([keeper.state, bench.requests, bench.releases]).toEqual(['not-asked', 2, 1]);
});
