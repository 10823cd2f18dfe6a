import { beforeEach, expect, test } from 'vitest';
import { MemoryUnit } from '../network/memory-unit';
import { UnitRequests } from '../network/unit-requests';
import type { ExchangeStanding } from '../ports';
import { packagedCatalogue } from '../record-catalogue/packaged-catalogue';
import { openMemoryDisk } from './memory-database';
import { MemorySecondCopy } from './memory-second-copy';
import { OperationStore } from './operation-store';
import { SecondCopyKeeper } from './second-copy-keeper';
import { StoreService } from './store-service';

/*
 * Planted bugs that these tests caught: the round waiting for the telling, a refusal of it shown as
 * trouble, a round without a unit that tells.
 */
const PATH = '/api/device-standing';
const RULES = { digest: '0'.repeat(16), on: '2026-09-21' };

let unit: MemoryUnit;
let told: Record<string, unknown>[];
/** What the unit says to it; null never answers. */
let answer: (() => Response) | null;
let isAway: boolean;
let shown: ExchangeStanding[];
let service: StoreService;

beforeEach(async () => {
  unit = new MemoryUnit();
  [told, shown, isAway] = [[], [], false];
  answer = () => new Response('{"told_ms":1}');
  let epochs = 0;
  const around = { nowMs: () => 1_000, newEpoch: () => `epoch${++epochs}` };
  const { database } = await openMemoryDisk();
  const store = new OperationStore(database, packagedCatalogue());
  const keeper = new SecondCopyKeeper(database, store, new MemorySecondCopy(), around);
  const requests = new UnitRequests((path, init) => {
    if (isAway) return Promise.reject(new Error('no network'));
    if (path !== PATH) return unit.fetch(path, init);
    told.push(JSON.parse(String(init.body)));
    return answer === null ? new Promise(() => {}) : Promise.resolve(answer());
  });
  service = new StoreService(store, keeper, requests, {
    ...around,
    newSalt: () => '0'.repeat(32),
    newDeviceId: () => 'tablet-n',
    chance: () => 1,
    later: () => () => {},
    onRecords: () => {},
    onExchange: (standing) => shown.push(standing),
    tells: {
      build: '0123456789ab',
      readStorage: async () => ({ isKept: true, usedBytes: 1, quotaBytes: 2 }),
    },
  });
  await service.start();
});

const soon = () => new Promise((resolve) => setTimeout(resolve, 5));

test('[DM-01] a round that is over is followed by what the tablet tells, with what the page laid down', async () => {
  await service.join('GOOD');
  service.remember('rules-told', RULES);

  await service.exchangeNow();
  await soon();

  expect(told).toHaveLength(1);
  expect(told[0]).toMatchObject({ rules: RULES.digest, rules_on: RULES.on, unsent: 0 });
  // Where no picture is kept, nobody knows of any.
  expect(told[0]?.unsent_pictures).toBeNull();
});

test('[RQ10] a round ends though the telling never does', async () => {
  await service.join('GOOD');
  answer = null;

  expect(await service.exchangeNow()).toMatchObject({ state: 'resting', sentence: '' });
  await soon();
  expect(await service.exchangeNow()).toMatchObject({ state: 'resting', sentence: '' });
  expect(told).toHaveLength(1);
});

test.each([404, 403, 500])('a unit that answers it with %d disturbs nobody', async (status) => {
  await service.join('GOOD');
  answer = () => new Response('{"detail":"No such place."}', { status });

  await service.exchangeNow();
  await soon();

  expect(service.exchangeStanding()).toMatchObject({ state: 'resting', sentence: '' });
  expect(shown.every(({ sentence }) => sentence === '')).toBe(true);
});

test('without a unit or a network nothing is told and nothing is shown of it', async () => {
  service.startAlone('bedside');
  await service.exchangeNow();
  await service.join('GOOD');
  isAway = true;
  await service.exchangeNow();
  await soon();

  expect(told).toEqual([]);
  expect(service.exchangeStanding()).toMatchObject({ state: 'no-network', sentence: '' });
});
