/** Proves when a tablet locks, and what a live case keeps open. */
import { expect, test } from 'vitest';
import type { KeyKeeper, KeyStanding } from '../ports';
import { IDLE_MS, Lock, type OpenedBy } from './lock.svelte';
import type { Place } from './place.svelte';

const ANNA = {
  staff: 'staff/anna',
  name: 'Anna Alder',
  role: 'endoscopist',
  triesLeft: 10,
  waitUntilMs: 0,
};

interface Given {
  people?: KeyStanding['people'];
  hasLive?: boolean;
  /** Stage of the case that was started here; none where none was. */
  stage?: string;
  by?: OpenedBy;
  /** Where the app comes back to. */
  place?: Place;
}

async function open({
  people = [ANNA],
  hasLive = false,
  stage,
  by,
  place = { name: 'cases' },
}: Given = {}) {
  const bench = {
    /** The slot of the live case has run out. */
    isLate: false,
    nowMs: 1_000_000,
    kept: [] as boolean[],
    locks: 0,
    starts: 0,
    stage,
  };
  const standing: KeyStanding = {
    people,
    isOpen: people.length === 0,
    hasLive,
    hasEmergency: by?.kind === 'emergency',
  };
  const keys = {
    keyStanding: async () => ({ ...standing, hasLive: standing.hasLive && !bench.isLate }),
    keepLive: async (isLive: boolean) => {
      bench.kept.push(isLive);
      standing.hasLive = isLive && !bench.isLate;
    },
    lock: async () => {
      bench.locks += 1;
    },
  } as unknown as KeyKeeper;
  const held = (value: string) => ({ values: [{ value, by: '', stamp: '', references: [] }] });
  const store = {
    recall: async () => (bench.stage === undefined ? null : 'case/c1'),
    read: async () => [{ record: 'case/c1', fields: { stage: held(bench.stage ?? '') } }] as never,
  };
  const lock = new Lock(
    { keys, store, clock: { nowMs: () => bench.nowMs }, startAnew: () => (bench.starts += 1) },
    by ?? { kind: 'pin', staff: ANNA.staff },
  );
  await lock.begin(place);
  return { lock, bench };
}

const CASE: Place = { name: 'procedure', caseId: 'c1' };
const OTHERS: Place[] = [
  { name: 'cases' },
  { name: 'clinic' },
  { name: 'decisions' },
  { name: 'stock' },
  { name: 'implants' },
  { name: 'tablet' },
  { name: 'patient', patient: 'p2' },
  { name: 'procedure', caseId: 'c2' },
  { name: 'surveillance', caseId: 'c2' },
];

test('[SEC-10] two minutes without a touch lock it, one millisecond less does not', async () => {
  const { lock, bench } = await open();
  bench.nowMs += IDLE_MS - 1;
  await lock.look();
  expect(bench.locks).toBe(0);
  bench.nowMs += 1;
  await lock.look();
  expect([bench.locks, bench.starts]).toEqual([1, 1]);
});

test('[SEC-10] a touch begins the two minutes anew; so does a clock that was set back', async () => {
  const { lock, bench } = await open();
  bench.nowMs += IDLE_MS - 1;
  lock.noteTouch();
  bench.nowMs += IDLE_MS - 1;
  await lock.look();
  bench.nowMs -= 10 * IDLE_MS;
  await lock.look();
  bench.nowMs += IDLE_MS - 1;
  await lock.look();
  expect(bench.locks).toBe(0);
  bench.nowMs += 1;
  await lock.look();
  expect(bench.locks).toBe(1);
});

test('[SEC-10] through a live case nothing locks by itself: the case stays, the rest asks', async () => {
  // Has caught: locking by time alone, whatever is live.
  const { lock, bench } = await open({ stage: 'in-procedure' });
  expect(bench.kept).toEqual([true]);
  expect([CASE, ...OTHERS].every((place) => lock.mayShow(place))).toBe(true);
  bench.nowMs += 100 * IDLE_MS;
  await lock.look();
  expect(bench.locks).toBe(0);
  expect(lock.mayShow(CASE)).toBe(true);
  expect(lock.mayShow({ name: 'close-out', caseId: 'c1' })).toBe(true);
  expect(lock.mayShow({ name: 'about' })).toBe(true);
  expect(OTHERS.filter((place) => lock.mayShow(place))).toEqual([]);
  expect(lock.livePlace).toEqual(CASE);
  lock.widen();
  expect(OTHERS.every((place) => lock.mayShow(place))).toBe(true);
});

test('[SEC-10] after its signature, or after 12 hours, a case that nobody touches is locked', async () => {
  const { lock, bench } = await open({ stage: 'closing' });
  bench.nowMs += IDLE_MS;
  await lock.look();
  expect([bench.locks, lock.isNarrow]).toEqual([0, true]);
  bench.isLate = true;
  await lock.look();
  expect(bench.locks).toBe(1);
});

test('[SEC-10] a restart in a live case shows that case alone until a PIN', async () => {
  const { lock, bench } = await open({
    stage: 'in-procedure',
    hasLive: true,
    by: { kind: 'no-pin' },
  });
  expect(bench.locks).toBe(0);
  expect(lock.mayShow(CASE)).toBe(true);
  expect(lock.mayShow({ name: 'cases' })).toBe(false);
});

test('[SEC-10] a restart whose case was closed meanwhile locks at once', async () => {
  const { bench } = await open({ stage: 'closed', hasLive: true, by: { kind: 'no-pin' } });
  expect(bench.kept).toEqual([false]);
  expect([bench.locks, bench.starts]).toEqual([1, 1]);
});

test('[SEC-10] the key is kept open when the case begins, and goes when it is closed', async () => {
  const { lock, bench } = await open({ stage: 'planned' });
  expect(bench.kept).toEqual([]);
  bench.stage = 'in-procedure';
  await lock.follow();
  await lock.follow();
  expect(bench.kept).toEqual([true]);
  bench.stage = 'closed';
  await lock.follow();
  expect(bench.kept).toEqual([true, false]);
  // A narrow screen whose case is closed shows nothing more of it.
  lock.isNarrow = true;
  expect(lock.mayShow(CASE)).toBe(false);
});

test('[SEC-10] before its first act a case is live while its Procedure screen is open', async () => {
  const { lock, bench } = await open({ stage: 'planned', place: CASE, by: { kind: 'no-pin' } });
  expect([bench.kept, bench.locks]).toEqual([[true], 0]);
  expect(lock.mayShow(CASE)).toBe(true);
  await lock.follow({ name: 'workup', caseId: 'c1' });
  expect(bench.kept).toEqual([true, false]);
  expect((await open({ stage: 'closed', place: CASE })).bench.kept).toEqual([]);
});

test('a device on which nobody has a PIN never locks', async () => {
  const { lock, bench } = await open({ people: [], by: { kind: 'no-pin' } });
  expect([lock.canLock, lock.needsFirst, lock.isNarrow]).toEqual([false, true, false]);
  bench.nowMs += 100 * IDLE_MS;
  await lock.look();
  await lock.lock();
  expect(bench.locks).toBe(0);
});

test('an emergency case is no reason to keep the other records open', async () => {
  const { lock, bench } = await open({
    stage: 'in-procedure',
    by: { kind: 'emergency', isNew: true },
  });
  expect([lock.isEmergency, lock.startsCase]).toEqual([true, true]);
  expect(bench.kept).toEqual([]);
  expect((await open({ by: { kind: 'emergency', isNew: false } })).lock.startsCase).toBe(false);
});

test('a store that does not answer does not keep the page from beginning anew', async () => {
  const { lock, bench } = await open();
  const failing = lock as unknown as { keys: KeyStanding };
  expect(failing.keys.people).toHaveLength(1);
  await Promise.all([lock.lock(), lock.lock()]);
  expect([bench.locks, bench.starts]).toEqual([1, 1]);
});
