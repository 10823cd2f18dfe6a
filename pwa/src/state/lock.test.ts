/** Proves when a tablet locks, and what a live case keeps open. */
import { expect, test } from 'vitest';
import type { KeyKeeper, KeyStanding } from '../ports';
import {
  CLOSING_MS,
  IDLE_MS,
  LATE_MS,
  LONGEST_LOCK_MS,
  Lock,
  type OpenedBy,
  RENEW_MS,
} from './lock.svelte';
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
  /** Stages of further cases by id. */
  others?: Record<string, string>;
  memory?: Record<string, string>;
  /** Nobody has a PIN yet; as a matter of course where nobody is there. */
  isOpen?: boolean;
  isElsewhere?: true;
}

async function open({
  people = [ANNA],
  hasLive = false,
  stage,
  by,
  place = { name: 'cases' },
  others = {},
  memory,
  isOpen = people.length === 0,
  isElsewhere,
}: Given = {}) {
  const bench = {
    monotonicMs: 5_000,
    hasUnsaved: false,
    isStruck: false,
    /** The store does not answer a lock. */
    isStuck: false,
    waits: [] as { ms: number; work: () => void }[],
    tried: [] as string[],
    openedAnew: [] as OpenedBy[],
    memory: new Map(
      Object.entries(memory ?? (stage === undefined ? {} : { 'live-case': 'case/c1' })),
    ),
    /** Time goes by on both clocks. */
    pass(ms: number) {
      bench.nowMs += ms;
      bench.monotonicMs += ms;
    },
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
    isOpen,
    hasLive,
    hasEmergency: by?.kind === 'emergency',
    ...(isElsewhere && { isElsewhere }),
  };
  const keys = {
    keyStanding: async () => ({ ...standing, hasLive: standing.hasLive && !bench.isLate }),
    keepLive: async (isLive: boolean) => {
      bench.kept.push(isLive);
      if (isOpen) return;
      standing.hasLive = isLive && !bench.isLate;
    },
    lock: async () => {
      bench.locks += 1;
      if (bench.isStuck) await new Promise<never>(() => {});
    },
    checkPin: async () => {
      bench.tried.push('checkPin');
      return { kind: 'right' };
    },
    unlock: async () => {
      bench.tried.push('unlock');
      return { kind: 'right' };
    },
  } as unknown as KeyKeeper;
  const held = (value: string) => ({ values: [{ value, by: '', stamp: '', references: [] }] });
  const store = {
    recall: async (name: string) => bench.memory.get(name) ?? null,
    remember: async (name: string, content: unknown) => {
      bench.memory.set(name, String(content));
    },
    read: async ({ record }: { record?: string }) => {
      const stages = {
        ...(bench.stage !== undefined && { 'case/c1': bench.stage }),
        ...others,
      };
      return Object.entries(stages)
        .filter(([one]) => record === undefined || one === record)
        .map(([one, at]) => ({
          record: one,
          isEnteredInError: bench.isStruck,
          fields: { stage: held(at) },
        })) as never;
    },
  };
  const lock = new Lock(
    {
      keys,
      store,
      clock: { nowMs: () => bench.nowMs, monotonicMs: () => bench.monotonicMs },
      startAnew: () => (bench.starts += 1),
      openAnew: (openedBy) => bench.openedAnew.push(openedBy),
      hasUnsaved: () => bench.hasUnsaved,
      later: (ms, work) => {
        bench.waits.push({ ms, work });
        return () => {};
      },
    },
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

/** Caught: About let everybody's records be saved to a file, and listed names, in a live case. */
test('[SEC-10] what holds records on About is open where all records are', async () => {
  // A kill of the browser in a live case: no PIN was shown.
  const restart = await open({ stage: 'in-procedure', hasLive: true, by: { kind: 'no-pin' } });
  expect([restart.lock.mayShow({ name: 'about' }), restart.lock.isWholeOpen]).toEqual([
    true,
    false,
  ]);
  restart.lock.widen(ANNA.staff);
  expect(restart.lock.isWholeOpen).toBe(true);
  // Two minutes without a touch in one.
  restart.bench.pass(IDLE_MS);
  await restart.lock.look();
  expect([restart.lock.isNarrow, restart.lock.isWholeOpen]).toEqual([true, false]);
  // Covered, in an emergency, in a window that only reads; and before anybody has a PIN.
  const covered = await open();
  covered.bench.hasUnsaved = true;
  covered.bench.pass(IDLE_MS);
  await covered.lock.look();
  expect(covered.lock.isWholeOpen).toBe(false);
  const emergency = await open({ by: { kind: 'emergency', isNew: false } });
  expect(emergency.lock.isWholeOpen).toBe(false);
  const reading = await open({ isElsewhere: true, by: { kind: 'no-pin' } });
  expect(reading.lock.isWholeOpen).toBe(false);
  const first = await open({ people: [], by: { kind: 'no-pin' } });
  expect(first.lock.isWholeOpen).toBe(true);
});

test('[SEC-10] after its signature, or after 12 hours, a case that nobody touches is locked', async () => {
  const { lock, bench } = await open({ stage: 'closing' });
  bench.nowMs += IDLE_MS;
  await lock.look();
  expect([bench.locks, lock.isNarrow]).toEqual([0, true]);
  bench.isLate = true;
  await lock.look();
  expect(bench.locks).toBe(0);
  bench.pass(LATE_MS);
  await lock.look();
  expect(bench.locks).toBe(1);
});

/** The planted bug it has caught: a lock as soon as the wall clock was past the 12 hours. */
test('[SEC-10] a clock that was set forward closes no case that somebody works at', async () => {
  const { lock, bench } = await open({ stage: 'in-procedure', place: CASE });
  bench.nowMs += 20 * 3_600_000;
  bench.isLate = true;
  await lock.look();
  expect([bench.locks, lock.isNarrow]).toEqual([0, true]);
  bench.pass(LATE_MS - 1);
  lock.noteTouch();
  bench.isLate = false;
  await lock.look();
  // The hours were written anew by the new time.
  expect([bench.kept.length, lock.keys.hasLive]).toEqual([2, true]);
  bench.pass(LATE_MS);
  await lock.look();
  expect(bench.locks).toBe(0);
});

/** The planted bug it has caught: hours that were written once, for the first case of a day. */
test('[SEC-10] work at the live case, and another live case, write its hours anew', async () => {
  const { lock, bench } = await open({
    stage: 'in-procedure',
    place: CASE,
    others: { 'case/c2': 'in-procedure' },
  });
  expect(bench.kept).toEqual([true]);
  bench.pass(RENEW_MS - 1);
  lock.noteTouch();
  await lock.look();
  expect(bench.kept).toHaveLength(1);
  bench.pass(1);
  lock.noteTouch();
  await lock.look();
  await lock.look();
  expect(bench.kept).toEqual([true, true]);
  await lock.follow({ name: 'procedure', caseId: 'c2' });
  expect(lock.liveCase).toBe('case/c2');
  expect(bench.kept).toEqual([true, true, true]);
  // Back at the own one. Touches elsewhere are no work at it.
  await lock.follow({ name: 'stock' });
  expect([lock.liveCase, bench.kept.length]).toEqual(['case/c1', 4]);
  bench.pass(RENEW_MS);
  lock.noteTouch();
  await lock.look();
  expect(bench.kept).toHaveLength(4);
});

/** The planted bug it has caught: a case left at closing that kept the key open for 12 hours. */
test('[SEC-10] a case at closing that nobody works at counts no more after half an hour', async () => {
  const { lock, bench } = await open({ stage: 'closing' });
  bench.pass(CLOSING_MS - 1);
  await lock.look();
  expect([bench.locks, lock.liveCase]).toEqual([0, 'case/c1']);
  bench.pass(1);
  await lock.look();
  expect([bench.locks, bench.kept]).toEqual([1, [true, false]]);
});

/** The planted bug it has caught: nobody left in a live case, taken for a tablet without PINs. */
test('[SEC-10] with nobody left a live case is narrow after a restart, and locks', async () => {
  const given: Given = { people: [], isOpen: false, hasLive: true, by: { kind: 'no-pin' } };
  const { lock, bench } = await open({ ...given, stage: 'in-procedure', place: CASE });
  expect([lock.isNarrow, lock.canLock, lock.needsFirst]).toEqual([true, true, false]);
  bench.stage = 'closed';
  bench.pass(IDLE_MS);
  await lock.follow();
  await lock.look();
  expect(bench.locks).toBe(1);
});

/** The planted bug it has caught: an address that made its case the live one. */
test('[SEC-10] while only the live case is shown, no address makes another one live', async () => {
  const other: Place = { name: 'procedure', caseId: 'c2' };
  const others = { 'case/c2': 'in-procedure' };
  const { lock, bench } = await open({ stage: 'planned', place: CASE, others });
  bench.pass(IDLE_MS);
  await lock.look();
  await lock.follow(other);
  expect([lock.liveCase, lock.mayShow(other), lock.mayShow(CASE)]).toEqual([
    'case/c1',
    false,
    true,
  ]);
  // Nor does the address of a restart.
  const again = await open({
    stage: 'planned',
    others,
    place: other,
    hasLive: true,
    by: { kind: 'no-pin' },
    memory: Object.fromEntries(bench.memory),
  });
  expect([again.lock.liveCase, again.lock.mayShow(other)]).toEqual(['case/c1', false]);
});

/** The planted bug it has caught: a stage read without asking whether the case was struck. */
test('[SEC-10] a live case that was struck keeps nothing open', async () => {
  const { lock, bench } = await open({ stage: 'in-procedure', place: CASE });
  bench.isStruck = true;
  await lock.follow();
  expect([lock.liveCase, bench.kept]).toEqual(['', [true, false]]);
});

/** Caught: whoever had looked at it could begin no case of their own on this tablet. */
test('a case that is live on another tablet is live here while it is looked at', async () => {
  const others = { 'case/c2': 'in-procedure' };
  const { lock, bench } = await open({ others, place: { name: 'procedure', caseId: 'c2' } });
  expect(lock.liveCase).toBe('case/c2');
  await lock.follow({ name: 'stock' });
  expect([lock.liveCase, bench.kept]).toEqual(['', [true, false]]);
});

/** The planted bug it has caught: a reload that threw away what the disk had not taken. */
test('[SEC-10] what could not be saved is covered, not thrown away', async () => {
  const { lock, bench } = await open();
  bench.hasUnsaved = true;
  bench.pass(IDLE_MS);
  await lock.look();
  expect([bench.locks, bench.starts, lock.isCovered]).toEqual([0, 0, true]);
  lock.widen(ANNA.staff);
  expect(lock.isCovered).toBe(false);
  bench.hasUnsaved = false;
  bench.pass(IDLE_MS);
  await lock.look();
  expect(bench.locks).toBe(1);
  // In a live case: on another screen it is covered, on its own it stays in sight.
  for (const [place, isCovered] of [
    [{ name: 'stock' }, true],
    [CASE, false],
  ] as const) {
    const live = await open({ stage: 'in-procedure', place });
    live.bench.hasUnsaved = true;
    live.bench.pass(IDLE_MS);
    await live.lock.look();
    expect([live.lock.isCovered, live.lock.isNarrow]).toEqual([isCovered, !isCovered]);
  }
});

/** The planted bug it has caught: a second window that showed everything. */
test('[SEC-10] a window that only reads is narrow, and locks nothing', async () => {
  const { lock, bench } = await open({ isElsewhere: true, by: { kind: 'no-pin' } });
  expect([lock.isNarrow, lock.mayShow({ name: 'cases' })]).toEqual([true, false]);
  expect((await lock.tryPin(ANNA.staff, '407182')).kind).toBe('right');
  lock.widen(ANNA.staff);
  expect(lock.mayShow({ name: 'cases' })).toBe(true);
  bench.pass(IDLE_MS);
  await lock.look();
  await lock.lock();
  expect([lock.isNarrow, bench.locks, bench.starts]).toEqual([true, 0, 0]);
  expect([bench.kept, bench.tried]).toEqual([[], ['checkPin']]);
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
  const { lock, bench } = await open({
    stage: 'planned',
    place: CASE,
    by: { kind: 'no-pin' },
    memory: { 'kept-case': 'case/c1' },
  });
  expect([bench.kept, bench.locks]).toEqual([[true], 0]);
  expect(lock.mayShow(CASE)).toBe(true);
  // Narrow, it stays until somebody has shown who they are.
  await lock.follow({ name: 'workup', caseId: 'c1' });
  expect(bench.kept).toEqual([true]);
  lock.widen(ANNA.staff);
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

/** The planted bug it has caught: an emergency case that locked itself on every other screen. */
test('an idle emergency case goes narrow, and a PIN opens all records without a lock', async () => {
  const emergency: OpenedBy = { kind: 'emergency', isNew: false };
  const { lock, bench } = await open({ stage: 'planned', memory: {}, by: emergency });
  bench.pass(IDLE_MS);
  await lock.look();
  expect([bench.locks, lock.isNarrow, lock.livePlace]).toEqual([0, true, CASE]);
  expect((await lock.tryPin(ANNA.staff, '407182')).kind).toBe('right');
  lock.widen(ANNA.staff);
  expect(bench.tried).toEqual(['unlock']);
  expect(bench.openedAnew).toEqual([{ kind: 'pin', staff: ANNA.staff }]);
  expect(bench.locks).toBe(0);
  // Without an open case there is nothing to stay for.
  const closed = await open({ stage: 'closed', memory: {}, by: emergency });
  closed.bench.pass(IDLE_MS);
  await closed.lock.look();
  expect(closed.bench.locks).toBe(1);
});

/** The planted bug it has caught: the first PIN put off for one case, and never asked for again. */
test('the first PIN that bleeding put off is asked for once the case is closed', async () => {
  const { lock, bench } = await open({ people: [], by: { kind: 'no-pin' }, stage: 'planned' });
  expect(lock.needsFirst).toBe(true);
  lock.putOffFirst();
  expect(lock.needsFirst).toBe(false);
  await lock.follow(CASE);
  bench.stage = 'in-procedure';
  await lock.follow();
  expect(lock.needsFirst).toBe(false);
  bench.stage = 'closed';
  await lock.follow();
  expect(lock.needsFirst).toBe(true);
});

/** The planted bug it has caught: a page that waited for a store without end, the patient on it. */
test('[SEC-10] a lock empties the page at once and waits for the store 2 s at most', async () => {
  const { lock, bench } = await open();
  bench.isStuck = true;
  const locking = lock.lock();
  expect([lock.isLocking, bench.starts]).toEqual([true, 0]);
  const [wait] = bench.waits;
  expect(wait?.ms).toBe(LONGEST_LOCK_MS);
  wait?.work();
  await locking;
  expect(bench.starts).toBe(1);
});
