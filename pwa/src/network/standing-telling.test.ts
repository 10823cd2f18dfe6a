import { beforeEach, expect, test } from 'vitest';
import { packagedCatalogue } from '../record-catalogue/packaged-catalogue';
import { openMemoryDisk } from '../storage/memory-database';
import { OperationStore } from '../storage/operation-store';
import { PROTOCOL_VERSION } from '../sync/exchange';
import {
  type RulesTold,
  StandingTelling,
  type StorageFacts,
  TELL_AGAIN_MS,
} from './standing-telling';
import { NoAnswerError, UnitRequests } from './unit-requests';

/*
 * Planted bugs that these tests caught, each by one of them: the same told after every round;
 * storage that changed taken for something new; a 404 that is asked again with every round; what
 * the network swallowed taken for told; what the browser does not tell sent as 0.
 */
const WHO = { by: 'staff/s-1', tappedBy: 'staff/s-1' };
const BUILD = '0123456789ab';

class Tablet {
  sent: Record<string, unknown>[] = [];
  status = 200;
  /** What the unit answers. */
  told: Record<string, unknown> = { told_ms: 1 };
  isAway = false;
  nowMs = 1_000_000;
  /** A unit of an older release reads no version of the exchange. */
  isOlder = false;
  storage: StorageFacts = { isKept: true, usedBytes: 10, quotaBytes: 100 };
  rules: RulesTold | null = { digest: '0'.repeat(16), on: '2026-09-21' };
  pictures: number | null = 0;
  /** Holds back answers until it is called. */
  answer: () => void = () => {};
  gate: Promise<void> | null = null;
  readonly telling: StandingTelling;

  constructor(readonly store: OperationStore) {
    const requests = new UnitRequests(async (path, init) => {
      if (this.isAway) throw new Error('no network');
      expect([path, init.method]).toEqual(['/api/device-standing', 'POST']);
      const told = JSON.parse(String(init.body));
      this.sent.push(told);
      await this.gate;
      if (this.isOlder && 'protocol' in told) return new Response('{}', { status: 422 });
      return new Response(JSON.stringify(this.told), { status: this.status });
    });
    this.telling = new StandingTelling(store, requests, {
      nowMs: () => this.nowMs,
      build: BUILD,
      readStorage: async () => this.storage,
      rules: () => this.rules,
      unsentPictures: () => this.pictures,
      signer: null,
    });
  }

  join(token: string | null, more: { waiting?: string; key?: string } = {}): void {
    const own = { device: 'tablet-a', role: 'bedside' as const, token, unitName: 'U', ...more };
    this.store.becomeDevice({ ...own, streams: ['care', 'booking', 'unit'] }, 'ep01');
  }

  save(id: string): void {
    const draft = { draftId: id, record: `puncture/${id}`, set: { case: 'case/c-1' } };
    this.store.save([draft], WHO, { wallMs: 1_000, newSalt: () => '0'.repeat(32) });
  }
}

let tablet: Tablet;
beforeEach(async () => {
  tablet = new Tablet(new OperationStore((await openMemoryDisk()).database, packagedCatalogue()));
  tablet.join('token');
});

test('[DM-01] build, rule files, unsent work and storage are told after a round', async () => {
  tablet.save('p-1');
  tablet.pictures = 2;

  await tablet.telling.tell();

  expect(tablet.sent).toEqual([
    {
      build: BUILD,
      catalogue: packagedCatalogue().version,
      protocol: PROTOCOL_VERSION,
      rules: '0'.repeat(16),
      rules_on: '2026-09-21',
      unsent: 1,
      unsent_pictures: 2,
      is_kept: true,
      used_bytes: 10,
      quota_bytes: 100,
    },
  ]);
});

test('[DM-01] what the browser or the page does not tell is told as unknown, never as 0', async () => {
  tablet.storage = { isKept: null, usedBytes: null, quotaBytes: null };
  tablet.rules = null;
  tablet.pictures = null;

  await tablet.telling.tell();

  expect(tablet.sent[0]).toMatchObject({
    ...{ rules: null, rules_on: null, unsent: 0, unsent_pictures: null },
    ...{ is_kept: null, used_bytes: null, quota_bytes: null },
  });
});

test('[RQ10] the same is told again only once it grows old; a clock put back is no reason to wait', async () => {
  await tablet.telling.tell();
  tablet.storage = { isKept: true, usedBytes: 5_000_000, quotaBytes: 90_000_000 };
  for (const agoMs of [0, 1, TELL_AGAIN_MS - 1]) {
    tablet.nowMs = 1_000_000 + agoMs;
    await tablet.telling.tell();
  }
  expect(tablet.sent).toHaveLength(1);

  tablet.nowMs = 1_000_000 + TELL_AGAIN_MS;
  await tablet.telling.tell();
  expect(tablet.sent.map((one) => one.used_bytes)).toEqual([10, 5_000_000]);

  tablet.nowMs = 900_000;
  await tablet.telling.tell();
  expect(tablet.sent).toHaveLength(3);
});

test.each<[string, (one: Tablet) => void]>([
  ['an entry that is unsent', (one) => one.save('p-1')],
  ['a picture that is unsent', (one) => (one.pictures = 1)],
  ['other rule files', (one) => (one.rules = { digest: '1'.repeat(16), on: '2026-09-21' })],
  ['the next day', (one) => (one.rules = { digest: '0'.repeat(16), on: '2026-09-22' })],
  ['a browser that keeps nothing', (one) => (one.storage = { ...one.storage, isKept: false })],
  ['a unit joined anew', (one) => one.join('other')],
])('%s is told with the next round', async (_, change) => {
  await tablet.telling.tell();
  change(tablet);

  await tablet.telling.tell();
  await tablet.telling.tell();

  expect(tablet.sent).toHaveLength(2);
});

test('without a network nothing is told, and the next round tells it', async () => {
  tablet.isAway = true;
  await expect(tablet.telling.tell()).rejects.toThrow(NoAnswerError);

  tablet.isAway = false;
  await tablet.telling.tell();

  expect(tablet.sent).toHaveLength(1);
});

test.each([404, 403, 422, 429])(
  '[RQ10] a unit that refuses by %d is left alone until then, whatever changes',
  async (status) => {
    tablet.status = status;
    await tablet.telling.tell();
    tablet.save('p-1');
    await tablet.telling.tell();
    // What it cannot read, it is asked once more without the version.
    const asked = status === 422 ? 2 : 1;
    expect(tablet.sent).toHaveLength(asked);

    tablet.status = 200;
    tablet.nowMs += TELL_AGAIN_MS;
    await tablet.telling.tell();
    expect(tablet.sent).toHaveLength(asked + 1);
  },
);

/** Caught: with the version in it, an older unit refused the whole and knew nothing of the tablet. */
test('[EX24] a unit that reads no version of the exchange is told the rest', async () => {
  tablet.isOlder = true;
  await tablet.telling.tell();
  await tablet.telling.tell();
  expect(tablet.sent.map((one) => 'protocol' in one)).toEqual([true, false]);
  expect({ ...tablet.sent[1], protocol: PROTOCOL_VERSION }).toEqual(tablet.sent[0]);

  // Brought up to date meanwhile, it is told the version with the next telling.
  tablet.isOlder = false;
  tablet.save('p-1');
  await tablet.telling.tell();
  expect(tablet.sent[2]).toMatchObject({ protocol: PROTOCOL_VERSION, unsent: 1 });
});

test.each<[string, Parameters<Tablet['join']>]>([
  ['has not joined', [null]],
  ['waits to be let in', ['token', { waiting: '123456' }]],
  ['has lost its key', ['token', { key: 'gone' }]],
])('a tablet that %s tells nothing', async (_, given) => {
  tablet.join(...given);

  await tablet.telling.tell();

  expect(tablet.sent).toEqual([]);
});

test('a telling that hangs is not begun twice', async () => {
  tablet.gate = new Promise((resolve) => {
    tablet.answer = resolve;
  });
  const first = tablet.telling.tell();
  await tablet.telling.tell();
  tablet.answer();
  await first;

  expect(tablet.sent).toHaveLength(1);
});

/** Caught: renamed at the unit desk, a tablet went on under the name of before. */
test('the name that the unit tells is kept, and an older unit that tells none changes nothing', async () => {
  const epoch = tablet.store.tip().epoch;
  tablet.told = { told_ms: 1, name: 'Tablet 3' };
  await tablet.telling.tell();
  expect(tablet.store.ownDevice()).toMatchObject({ name: 'Tablet 3', token: 'token' });

  tablet.told = { told_ms: 2 };
  tablet.nowMs += TELL_AGAIN_MS;
  await tablet.telling.tell();
  expect(tablet.sent).toHaveLength(2);
  expect(tablet.store.ownDevice()?.name).toBe('Tablet 3');
  expect(tablet.store.tip().epoch).toBe(epoch);
});
