import { expect, test } from 'vitest';
import { AppUpdate } from './app-update.svelte';

/** A service worker and a tablet of which a test says how they stand. */
class Bench {
  isLive = false;
  isUnsaved = false;
  served: string | null = 'build-1';
  letIns = 0;
  reloads = 0;
  looks = 0;
  isHeld = false;
  /** Ends every wait that has begun. */
  waits: (() => void)[] = [];
  heard = { onWaiting: () => {}, onTakenOver: () => {} };
  readonly update: AppUpdate;

  constructor(start: Partial<Bench> = {}) {
    Object.assign(this, start);
    const port = {
      watch: async (heard: typeof this.heard) => {
        this.heard = heard;
      },
      look: () => {
        this.looks += 1;
      },
      letIn: () => {
        this.letIns += 1;
      },
      reload: () => {
        this.reloads += 1;
      },
      wait: () => new Promise<void>((resolve) => this.waits.push(resolve)),
      servedBuild: async () => this.served,
      hold: async () => {
        this.isHeld = true;
      },
      release: async () => {
        const wasHeld = this.isHeld;
        this.isHeld = false;
        return wasHeld;
      },
    };
    const obstacles = {
      hasLiveCase: async () => this.isLive,
      hasUnsaved: () => this.isUnsaved,
    };
    this.update = new AppUpdate(port, obstacles, 'build-1');
  }
}
const settle = () => new Promise((resolve) => setTimeout(resolve));

/** Has caught: `letIn` that asked only whether a build waits. */
test('[HAZ-27] during a live case a new build waits: no press and no time lets it in', async () => {
  const bench = new Bench({ isLive: true });
  bench.heard.onWaiting();
  await settle();
  expect(bench.update.standing).toBe('waits-for-case');

  for (let turn = 0; turn < 20; turn++) expect(await bench.update.letIn()).toBe(false);
  expect([bench.letIns, bench.reloads]).toEqual([0, 0]);

  bench.isLive = false;
  await bench.update.noticeCase();
  expect(bench.update.standing).toBe('ready');
  expect(await bench.update.letIn()).toBe(true);
  expect(bench.letIns).toBe(1);
});

test('[HAZ-27] a case that began after the last look keeps the new build out', async () => {
  const bench = new Bench();
  bench.heard.onWaiting();
  await settle();
  expect(bench.update.standing).toBe('ready');

  bench.isLive = true;
  expect(await bench.update.letIn()).toBe(false);
  expect(bench.letIns).toBe(0);
});

test('[HAZ-27] with something unsaved on screen a new build waits', async () => {
  const bench = new Bench({ isUnsaved: true });
  bench.heard.onWaiting();
  await settle();

  expect(bench.update.standing).toBe('waits-for-saving');
  expect(await bench.update.letIn()).toBe(false);
});

test('[HAZ-27] let in by another window, a page begins anew, but never in a live case', async () => {
  const idle = new Bench();
  await settle();
  idle.heard.onTakenOver();
  await settle();
  expect(idle.reloads).toBe(1);

  const live = new Bench({ isLive: true });
  live.heard.onTakenOver();
  await settle();
  expect(live.reloads).toBe(0);
  expect(live.update.strangers).toEqual(['files']);
});

test('[HAZ-27] a worker or files of another build are told; the same build is not', async () => {
  const same = new Bench();
  same.update.noteWorker('build-1');
  await settle();
  expect(same.update.strangers).toEqual([]);

  const other = new Bench({ served: 'build-2' });
  other.update.noteWorker('build-0');
  await settle();
  expect(other.update.strangers).toEqual(['worker', 'files']);

  const untold = new Bench({ served: null });
  untold.update.noteWorker(null);
  await settle();
  expect(untold.update.strangers).toEqual([]);
});

test('[HAZ-27] a new build is asked for once an hour, not at all during a case', async () => {
  const bench = new Bench({ isLive: true });
  await bench.update.lookForNew(0);
  expect(bench.looks).toBe(0);

  bench.isLive = false;
  await bench.update.lookForNew(1);
  await bench.update.lookForNew(3_600_000);
  expect(bench.looks).toBe(1);
  await bench.update.lookForNew(3_600_001);
  expect(bench.looks).toBe(2);
});

/** Caught a planted bug: a live case for which nothing was kept. */
test('[HAZ-27] a live case keeps its build aside, and the end of the case drops it', async () => {
  const bench = new Bench();
  await bench.update.noticeCase();
  expect(bench.isHeld).toBe(false);

  bench.isLive = true;
  await bench.update.noticeCase();
  expect(bench.isHeld).toBe(true);

  bench.isLive = false;
  await bench.update.noticeCase();
  expect([bench.isHeld, bench.reloads]).toEqual([false, 0]);
});

test('[HAZ-27] where another build took over meanwhile, the page begins anew after the case', async () => {
  const bench = new Bench({ isLive: true });
  await bench.update.noticeCase();
  bench.served = 'build-2';
  await bench.update.noticeCase();
  expect(bench.reloads).toBe(0);

  bench.isLive = false;
  bench.isUnsaved = true;
  await bench.update.noticeCase();
  expect(bench.reloads).toBe(0);
  expect(bench.update.strangers).toEqual(['files']);
});

/** Has caught: `letIn` that only told the service worker, which may answer after five minutes. */
test.each([
  { what: 'nothing took over', isLive: false, isUnsaved: false, reloads: 1 },
  { what: 'a case began in between', isLive: true, isUnsaved: false, reloads: 0 },
  { what: 'something is not saved by now', isLive: false, isUnsaved: true, reloads: 0 },
])('[HAZ-27] let in and kept waiting, the page begins anew: $what', async (now) => {
  const bench = new Bench();
  bench.heard.onWaiting();
  await settle();
  expect(await bench.update.letIn()).toBe(true);
  await settle();
  expect(bench.reloads).toBe(0);

  bench.isLive = now.isLive;
  bench.isUnsaved = now.isUnsaved;
  for (const end of bench.waits) end();
  await settle();

  expect(bench.reloads).toBe(now.reloads);
});
