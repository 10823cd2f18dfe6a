/** Proves the key ring: wrapping, two homes, tries that wait, keys in the clear that go. */
import { expect, test } from 'vitest';
import { KeyRing, type RingStanding } from './key-ring';
import { readRing, writeRing } from './key-ring-content';
import type { ArgonCost } from './key-ring-cost';
import { COSTS } from './key-ring-cost';
import { writeBase64 } from './key-ring-crypto';
import { SHARE_NOTE } from './key-ring-people';
import { type MemoryRingShelf, memoryShelves } from './memory-ring-shelves';

const ANNA = { staff: 'staff/anna', name: 'Anna Alder', role: 'endoscopist' };
const BRUNO = { staff: 'staff/bruno', name: 'Bruno Birch', role: 'assistant' };
const PIN = '407182';
const OTHER = '918273';
const SECOND = 1_000;
const HOUR = 3_600_000;

/** A device whose Argon2id is a fast stand-in that binds PIN, salt and cost. */
class Bench {
  readonly shelves = memoryShelves();
  nowMs = 1_800_000_000_000;
  /** Nobody sets it; where it begins anew is not told by a page that does. */
  ranMs = 0;
  /** Mark of the share that the unit opens; null where there is no unit. */
  mark: string | null = null;
  cost: ArgonCost = COSTS[1] as ArgonCost;
  hashTakesMs = 700;
  hashes = 0;
  #drawn = 0;

  /** Time goes by on both clocks. */
  pass(ms: number): void {
    this.nowMs += ms;
    this.ranMs += ms;
  }

  open(): Promise<KeyRing> {
    return KeyRing.open(this.shelves, {
      nowMs: () => this.nowMs,
      monotonicMs: () => this.ranMs,
      markOfShare: async () => this.mark,
      random: (bytes) => {
        this.#drawn += 1;
        return Uint8Array.from({ length: bytes }, (_, at) => (this.#drawn * 31 + at * 7) % 256);
      },
      argon: {
        calibrate: async () => this.cost,
        hash: async (pin, salt, cost) => {
          this.hashes += 1;
          this.pass(this.hashTakesMs);
          const text = `${pin} ${writeBase64(salt)} ${JSON.stringify(cost)}`;
          const bytes = new TextEncoder().encode(text);
          return new Uint8Array(await crypto.subtle.digest('SHA-256', bytes));
        },
      },
    });
  }

  /** A ring with the first person in it. */
  async withAnna(): Promise<{ ring: KeyRing; key: Uint8Array }> {
    const ring = await this.open();
    const key = await ring.firstKey();
    await ring.addPerson(key, ANNA, PIN);
    return { ring, key };
  }
}

const personOf = (standing: RingStanding, at = 0) => standing.people[at];

test('[SEC-12] the key is open until the first person has a PIN, and then opens by it alone', async () => {
  const bench = new Bench();
  const ring = await bench.open();
  expect(ring.standing()).toEqual({
    people: [],
    isOpen: false,
    hasLive: false,
    hasEmergency: false,
  });
  const key = await ring.firstKey();
  expect(key).toHaveLength(32);
  expect(await ring.firstKey()).toEqual(key);
  expect(await (await bench.open()).openKey()).toEqual(key);
  await ring.addPerson(key, ANNA, PIN);
  const again = await bench.open();
  expect(await again.openKey()).toBeNull();
  expect(again.standing().isOpen).toBe(false);
  await expect(again.firstKey()).rejects.toThrow('told:pinNeeded');
  expect(await again.unlock(ANNA.staff, PIN)).toEqual({ kind: 'open', dataKey: key });
  expect(await again.checkPin(ANNA.staff, PIN)).toEqual({ kind: 'right' });
  expect(await again.unlock('staff/nobody', PIN)).toEqual({ kind: 'removed' });
});

test('[SEC-12] a key that was taken away lies in no copy of either home', async () => {
  // Has caught: overwriting one place of the pair, so that the other kept the open key.
  const bench = new Bench();
  const { ring, key } = await bench.withAnna();
  const plain = writeBase64(key);
  const lies = () =>
    [bench.shelves.files, bench.shelves.indexed].map((one) => one.text().includes(plain));
  expect(lies()).toEqual([false, false]);
  await ring.keepLive(key);
  // In the clear in the files, which are overwritten; never in a database that appends.
  expect(lies()).toEqual([true, false]);
  await ring.keepLive(null);
  expect(lies()).toEqual([false, false]);
});

test('[SEC-12] a PIN opens nothing without the secret of its device', async () => {
  // Has caught: a key made from the hashed PIN alone.
  const bench = new Bench();
  await bench.withAnna();
  for (const shelf of [bench.shelves.files, bench.shelves.indexed]) {
    shelf.places = shelf.places.map((one) => {
      const content = one === null ? null : readRing(one);
      if (content === null) return one;
      return writeRing({ ...content, deviceSecret: writeBase64(new Uint8Array(32)) });
    });
  }
  expect((await (await bench.open()).unlock(ANNA.staff, PIN)).kind).toBe('wrong');
});

test('[SEC-13] wrong PINs wait 30 s, 1, 5, 15 minutes, and the tenth takes the key away', async () => {
  const bench = new Bench();
  const { ring, key } = await bench.withAnna();
  await ring.addPerson(key, BRUNO, OTHER);
  bench.hashTakesMs = 0;
  const waits: number[] = [];
  for (let wrong = 1; wrong <= 9; wrong++) {
    const answer = await ring.unlock(ANNA.staff, '000001');
    if (answer.kind !== 'wrong') throw new Error(answer.kind);
    expect(answer.triesLeft).toBe(10 - wrong);
    if (answer.waitUntilMs > 0) {
      waits.push((answer.waitUntilMs - bench.nowMs) / SECOND);
      bench.pass(answer.waitUntilMs - bench.nowMs - 1);
      const hashes = bench.hashes;
      // One millisecond early even the right PIN is not tried.
      expect((await ring.unlock(ANNA.staff, PIN)).kind).toBe('waiting');
      expect(bench.hashes).toBe(hashes);
      bench.pass(1);
    }
  }
  expect(waits).toEqual([30, 60, 300, 900, 900]);
  expect(await ring.unlock(ANNA.staff, '000001')).toEqual({ kind: 'removed' });
  const again = await bench.open();
  expect(again.standing().people.map(({ staff }) => staff)).toEqual([BRUNO.staff]);
  expect(await again.unlock(ANNA.staff, PIN)).toEqual({ kind: 'removed' });
  expect(await again.unlock(BRUNO.staff, OTHER)).toEqual({ kind: 'open', dataKey: key });
});

/** The planted bug it has caught: the tenth wrong PIN of the only person, which took the last key. */
test('[SEC-13] without a unit the last person keeps their key: each further wrong PIN waits', async () => {
  const bench = new Bench();
  // A share of a key that was here before: the unit has no way to this one.
  bench.mark = 'of another key';
  const { ring, key } = await bench.withAnna();
  bench.hashTakesMs = 0;
  for (let wrong = 1; wrong <= 30; wrong++) {
    const answer = await ring.unlock(ANNA.staff, '000001');
    if (answer.kind !== 'wrong') throw new Error(answer.kind);
    if (wrong >= 9) {
      expect(answer).toEqual({
        kind: 'wrong',
        triesLeft: 0,
        waitUntilMs: bench.nowMs + 900 * SECOND,
      });
      expect((await ring.unlock(ANNA.staff, PIN)).kind).toBe('waiting');
    }
    bench.pass(Math.max(0, answer.waitUntilMs - bench.nowMs));
  }
  const again = await bench.open();
  expect(personOf(again.standing())?.triesLeft).toBe(0);
  bench.pass(900 * SECOND);
  expect(await again.unlock(ANNA.staff, PIN)).toEqual({ kind: 'open', dataKey: key });
});

test('[SEC-13] a try counts before it is made, and the count outlives the app', async () => {
  // Has caught: counting after the hash, so that ending the app gave a free try.
  const bench = new Bench();
  const { ring } = await bench.withAnna();
  bench.shelves.files.fails = 'write';
  bench.shelves.indexed.fails = 'write';
  const before = bench.hashes;
  await expect(ring.unlock(ANNA.staff, PIN)).rejects.toThrow('disk full');
  expect(bench.hashes).toBe(before);
  bench.shelves.files.fails = null;
  bench.shelves.indexed.fails = null;
  await ring.unlock(ANNA.staff, '000001');
  const again = await bench.open();
  expect(personOf(again.standing())?.triesLeft).toBe(9);
  await again.unlock(ANNA.staff, PIN);
  expect(personOf((await bench.open()).standing())?.triesLeft).toBe(10);
});

test('[SEC-13] a clock that was set back does not make a wait longer than it was', async () => {
  const bench = new Bench();
  const { ring } = await bench.withAnna();
  for (let wrong = 0; wrong < 5; wrong++) await ring.unlock(ANNA.staff, '000001');
  bench.pass(-bench.hashTakesMs);
  bench.nowMs -= 1_000 * HOUR;
  expect(await ring.unlock(ANNA.staff, PIN)).toEqual({
    kind: 'waiting',
    waitUntilMs: bench.nowMs + 30 * SECOND,
  });
  bench.pass(30 * SECOND);
  expect((await ring.unlock(ANNA.staff, PIN)).kind).toBe('open');
});

/** Caught: each wait was over at once when the clock was set forward, so that tries had no end. */
test('[SEC-13] neither a clock that was set forward nor a page that begins anew ends a wait', async () => {
  const bench = new Bench();
  bench.hashTakesMs = 0;
  const { ring } = await bench.withAnna();
  for (let wrong = 0; wrong < 5; wrong++) await ring.unlock(ANNA.staff, '000001');
  bench.nowMs += 1_000 * HOUR;
  const waiting = { kind: 'waiting', waitUntilMs: bench.nowMs + 30 * SECOND };
  expect(await ring.unlock(ANNA.staff, PIN)).toEqual(waiting);
  expect(personOf(ring.standing())?.waitUntilMs).toBe(waiting.waitUntilMs);
  bench.pass(29 * SECOND);
  // The page begins anew, and its running time with it: the wait is served from the start.
  bench.ranMs = 7;
  const again = await bench.open();
  bench.nowMs += 1_000 * HOUR;
  bench.pass(30 * SECOND - 1);
  expect((await again.unlock(ANNA.staff, PIN)).kind).toBe('waiting');
  bench.pass(1);
  expect(personOf(again.standing())?.waitUntilMs).toBe(0);
  expect((await again.unlock(ANNA.staff, PIN)).kind).toBe('open');
  // A right PIN leaves nothing to wait for.
  expect(personOf((await bench.open()).standing())?.waitUntilMs).toBe(0);
});

/** Caught: a tablet with one PIN had no limit on tries in all. */
test('[SEC-13] twenty wrong PINs of the last person end the tries where the unit has a share', async () => {
  const bench = new Bench();
  bench.hashTakesMs = 0;
  const { ring, key } = await bench.withAnna();
  await ring.keepNote(SHARE_NOTE, 'of this key');
  bench.mark = 'of this key';
  const emergency = await ring.emergencyKey();
  for (let wrong = 1; wrong <= 19; wrong++) {
    const answer = await ring.unlock(ANNA.staff, '000001');
    if (answer.kind !== 'wrong') throw new Error(answer.kind);
    expect(answer.triesLeft).toBe(20 - wrong);
    bench.pass(Math.max(0, answer.waitUntilMs - bench.nowMs));
  }
  const removed = { kind: 'removed', isNobodyLeft: true };
  expect(await ring.unlock(ANNA.staff, '000001')).toEqual(removed);
  const again = await bench.open();
  expect(again.standing()).toMatchObject({ people: [], isOpen: false });
  expect(await again.unlock(ANNA.staff, PIN)).toEqual(removed);
  // Nothing is begun over the records; an emergency goes on, and the key of the unit opens all.
  expect(await again.emergencyKey()).toEqual(emergency);
  expect(await again.firstKey(key)).toEqual(key);
  expect(await again.emergencyKeys(key)).toEqual([emergency]);
});

test('[SEC-13] who was the last and is so no more loses no wrap by the tries until then', async () => {
  const bench = new Bench();
  bench.hashTakesMs = 0;
  const { ring, key } = await bench.withAnna();
  await ring.keepNote(SHARE_NOTE, 'of this key');
  bench.mark = 'of this key';
  for (let wrong = 1; wrong <= 14; wrong++) {
    await ring.unlock(ANNA.staff, '000001');
    bench.pass(900 * SECOND);
  }
  // Somebody is added while a live case is open.
  await ring.addPerson(key, BRUNO, OTHER);
  bench.pass(900 * SECOND);
  expect(await ring.unlock(ANNA.staff, PIN)).toEqual({ kind: 'open', dataKey: key });
});

test('[SEC-12] one home that was wiped or cannot be written is made good by the other', async () => {
  for (const gone of ['files', 'indexed'] as const) {
    const bench = new Bench();
    const { key } = await bench.withAnna();
    await bench.shelves[gone].wipe();
    const ring = await bench.open();
    expect(await ring.unlock(ANNA.staff, PIN)).toEqual({ kind: 'open', dataKey: key });
    const rest = gone === 'files' ? 'indexed' : 'files';
    await bench.shelves[rest].wipe();
    expect((await (await bench.open()).unlock(ANNA.staff, PIN)).kind).toBe('open');
    bench.shelves.indexed.fails = 'write';
    await (await bench.open()).unlock(ANNA.staff, '000001');
    bench.shelves.indexed.fails = null;
    // The newer home counts: a wipe of one gives no tries back.
    expect(personOf((await bench.open()).standing())?.triesLeft).toBe(9);
  }
});

test('homes that cannot be read begin nothing anew', async () => {
  // Has caught: taking a home that cannot be read for an empty one.
  const bench = new Bench();
  await bench.withAnna();
  bench.shelves.files.fails = 'read';
  bench.shelves.indexed.fails = 'read';
  await expect(bench.open()).rejects.toThrow('unreadable disk');
  bench.shelves.indexed.fails = null;
  expect((await bench.open()).standing().people).toHaveLength(1);
});

/** The planted bug it has caught: one failed read, after which the other home was copied over it. */
test('[SEC-12] files that cannot be read for a moment keep the only open key', async () => {
  const bench = new Bench();
  const key = await (await bench.open()).firstKey();
  bench.shelves.files.fails = 'read';
  await expect(bench.open()).rejects.toThrow('unreadable disk');
  bench.shelves.files.fails = null;
  expect(await (await bench.open()).openKey()).toEqual(key);
  // It answers at a further try: nothing is refused.
  let reads = 0;
  const { files } = bench.shelves;
  const read = files.read.bind(files);
  files.read = async () => {
    reads += 1;
    if (reads < 3) throw new Error('unreadable disk');
    return read();
  };
  expect(await (await bench.open()).openKey()).toEqual(key);
});

test('[SEC-12] a home that could not be read is not written over at the start', async () => {
  const bench = new Bench();
  await bench.withAnna();
  const { files } = bench.shelves;
  const before = files.text();
  files.fails = 'read';
  expect((await bench.open()).standing().people).toHaveLength(1);
  expect(files.text()).toBe(before);
});

/** The planted bug it has caught: a newer turn in the database alone, which holds no open key. */
test('[SEC-12] a full disk before the first PIN does not take the open key', async () => {
  const bench = new Bench();
  const ring = await bench.open();
  const key = await ring.firstKey();
  bench.shelves.files.fails = 'write';
  await expect(ring.keepNote('unit-key', 'a public key')).rejects.toThrow('disk full');
  bench.shelves.files.fails = null;
  expect(await (await bench.open()).openKey()).toEqual(key);
});

test('[SEC-12] cut off at any write of either home, at any length, the key opens still', async () => {
  // Has caught: writing each turn to the same place.
  for (const home of ['files', 'indexed'] as const) {
    for (let write = 1; write <= 8; write++) {
      for (const bytes of [0, 1, 20, 90, 400, 1_500]) {
        const bench = new Bench();
        const { ring, key } = await bench.withAnna();
        const shelf = bench.shelves[home];
        shelf.cut = { write: shelf.writes + write, bytes };
        // The power goes for both homes at once.
        const after = otherHome(bench, home);
        const count = after.writes + write + (home === 'files' ? 0 : 1);
        after.cut = { write: count, bytes: 0 };
        const acts = [
          () => ring.keepLive(key),
          () => ring.unlock(ANNA.staff, '000001'),
          () => ring.addPerson(key, BRUNO, OTHER),
          () => ring.keepLive(null),
          () => ring.changePin(ANNA.staff, PIN, PIN),
        ];
        for (const act of acts) {
          try {
            await act();
          } catch {
            break;
          }
        }
        shelf.cut = null;
        after.cut = null;
        // Nor does it need the other home, which a browser may throw away after a crash.
        await after.wipe();
        const again = await bench.open();
        expect(await again.unlock(ANNA.staff, PIN)).toEqual({ kind: 'open', dataKey: key });
      }
    }
  }
});

function otherHome(bench: Bench, home: 'files' | 'indexed'): MemoryRingShelf {
  return home === 'files' ? bench.shelves.indexed : bench.shelves.files;
}

test('[SEC-11] another PIN opens, the old one no more; a weak one changes nothing', async () => {
  const bench = new Bench();
  const { ring, key } = await bench.withAnna();
  await expect(ring.changePin(ANNA.staff, PIN, '123456')).rejects.toThrow('told:pinCommon');
  expect(personOf(ring.standing())?.triesLeft).toBe(10);
  expect((await ring.changePin(ANNA.staff, '000001', OTHER)).kind).toBe('wrong');
  expect(await ring.changePin(ANNA.staff, PIN, OTHER)).toEqual({ kind: 'right' });
  expect((await ring.unlock(ANNA.staff, PIN)).kind).toBe('wrong');
  expect(await ring.unlock(ANNA.staff, OTHER)).toEqual({ kind: 'open', dataKey: key });
});

/** The planted bug it has caught: the new wrap written to one place, the old one left in the other. */
test('[SEC-11] the wrap of a PIN that was changed lies in no copy of either home', async () => {
  const bench = new Bench();
  const { ring } = await bench.withAnna();
  const { files, indexed } = bench.shelves;
  const [wrapped] = [...files.text().matchAll(/"wrapped":\{[^}]*\}/g)].map(([one]) => one);
  await ring.changePin(ANNA.staff, PIN, OTHER);
  expect(files.text() + indexed.text()).not.toContain(wrapped);
});

test('the last person is not taken away, another is', async () => {
  const bench = new Bench();
  const { ring, key } = await bench.withAnna();
  await expect(ring.removePerson(ANNA.staff)).rejects.toThrow('told:lastPerson');
  await ring.addPerson(key, BRUNO, OTHER);
  await ring.removePerson(ANNA.staff);
  expect((await bench.open()).standing().people.map(({ name }) => name)).toEqual(['Bruno Birch']);
});

test('[SEC-11] a wrap of a lower cost is made anew at the next right PIN, as far as time allows', async () => {
  const bench = new Bench();
  bench.cost = COSTS[0] as ArgonCost;
  const { ring, key } = await bench.withAnna();
  const costs = () =>
    COSTS.findIndex(({ memoryKiB, passes }) =>
      bench.shelves.files.text().includes(`"memoryKiB":${memoryKiB},"passes":${passes},`),
    );
  bench.hashTakesMs = 100;
  await ring.unlock(ANNA.staff, PIN);
  await ring.unlock(ANNA.staff, PIN);
  await ring.unlock(ANNA.staff, PIN);
  // Both places hold wraps of the steps that lie behind; the newest is what the next start reads.
  expect(costs()).toBeGreaterThan(0);
  bench.hashTakesMs = 500;
  const reached = bench.shelves.files.text();
  await ring.unlock(ANNA.staff, PIN);
  const wrapIn = (text: string) => [...text.matchAll(/"wrapped":\{[^}]*\}/g)].map(([one]) => one);
  expect(wrapIn(reached)).toEqual(expect.arrayContaining(wrapIn(bench.shelves.files.text())));
  expect(await (await bench.open()).unlock(ANNA.staff, PIN)).toEqual({
    kind: 'open',
    dataKey: key,
  });
});

test('[SEC-10] a live case is open without a PIN for 12 hours and no longer', async () => {
  const bench = new Bench();
  const { ring, key } = await bench.withAnna();
  await ring.keepLive(key);
  bench.nowMs += 12 * HOUR - 1;
  const late = await bench.open();
  expect(late.standing().hasLive).toBe(true);
  expect(await late.openKey()).toEqual(key);
  bench.nowMs += 1;
  expect(await late.openKey()).toBeNull();
  const later = await bench.open();
  expect(later.standing().hasLive).toBe(false);
  expect(bench.shelves.files.text()).not.toContain(writeBase64(key));
});

/** The planted bugs it has caught: hours counted from the first of a chain of cases; no renewal. */
test('[SEC-10] the 12 hours begin anew with work at the case, and with a right PIN', async () => {
  const bench = new Bench();
  const { ring, key } = await bench.withAnna();
  const acts = [
    () => ring.keepLive(key),
    () => ring.keepLive(key),
    () => ring.checkPin(ANNA.staff, PIN),
    () => ring.unlock(ANNA.staff, PIN),
  ];
  for (const act of acts) {
    await act();
    bench.nowMs += 11 * HOUR;
    expect(await (await bench.open()).openKey()).toEqual(key);
  }
  await ring.checkPin(ANNA.staff, '000001');
  bench.nowMs += HOUR;
  expect(await ring.openKey()).toBeNull();
});

test('a slot of an older turn of the files does not come back', async () => {
  const bench = new Bench();
  const { ring, key } = await bench.withAnna();
  await ring.keepLive(key);
  const older = bench.shelves.files.places.map((one) => one?.slice() ?? null);
  await ring.keepLive(null);
  bench.shelves.files.places = older;
  expect(await (await bench.open()).openKey()).toBeNull();
});

test('an emergency key is found again by a reload, and later by the data key alone', async () => {
  const bench = new Bench();
  const { ring, key } = await bench.withAnna();
  const made = await ring.emergencyKey();
  const again = await bench.open();
  expect(again.standing().hasEmergency).toBe(true);
  expect(await again.emergencyKey()).toEqual(made);
  bench.nowMs += 12 * HOUR;
  expect((await bench.open()).standing().hasEmergency).toBe(false);
  expect(bench.shelves.files.text()).not.toContain(writeBase64(made.key));
  await again.closeEmergency();
  expect(bench.shelves.files.text()).not.toContain(writeBase64(made.key));
  const unlocked = await bench.open();
  expect(await unlocked.emergencyKeys(key)).toEqual([made]);
  expect(await unlocked.emergencyKeys(new Uint8Array(32))).toEqual([]);
  const next = await unlocked.emergencyKey();
  expect(next.number).toBe(made.number + 1);
  await unlocked.dropEmergency(made.number);
  expect(await unlocked.emergencyKeys(key)).toEqual([next]);
});

test('a key that the unit has given back opens what was sealed for it', async () => {
  const bench = new Bench();
  const { ring, key } = await bench.withAnna();
  const made = await ring.emergencyKey();
  await ring.closeEmergency();
  const again = await bench.open();
  expect(await again.openKey()).toBeNull();
  // The PIN is known to nobody any more: the same key takes its place, another one does not.
  await expect(again.firstKey(new Uint8Array(32))).rejects.toThrow('told:pinNeeded');
  expect(again.standing().people).toHaveLength(1);
  expect(await again.firstKey(key)).toEqual(key);
  expect(again.standing()).toMatchObject({ people: [], isOpen: true });
  expect(await again.emergencyKeys(key)).toEqual([made]);
});

test('notes are kept in both homes; a wipe leaves nothing', async () => {
  const bench = new Bench();
  const { ring, key } = await bench.withAnna();
  await ring.keepNote('unit-key', 'a public key');
  await bench.shelves.files.wipe();
  const again = await bench.open();
  expect(again.note('unit-key')).toBe('a public key');
  await again.keepNote('unit-key', null);
  expect(again.note('unit-key')).toBeNull();
  await again.keepLive(key);
  await again.wipe();
  expect([bench.shelves.files, bench.shelves.indexed].map(({ places }) => places)).toEqual([
    [null, null],
    [null, null],
  ]);
  expect((await bench.open()).standing().people).toEqual([]);
});

test('calls at once are carried out one after another', async () => {
  const bench = new Bench();
  const { ring } = await bench.withAnna();
  await Promise.all([1, 2, 3].map(() => ring.unlock(ANNA.staff, '000001')));
  expect(personOf((await bench.open()).standing())?.triesLeft).toBe(7);
});
