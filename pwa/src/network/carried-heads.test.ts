/** Heads that others signed are kept with what was read, and offered with it to a unit put back. */
import { beforeEach, expect, test } from 'vitest';
import { packagedCatalogue } from '../record-catalogue/packaged-catalogue';
import { takeInBundle } from '../storage/bundle-transfer';
import { HEADS_KEPT, headsOver, keepHeads } from '../storage/head-rows';
import { openMemoryDisk } from '../storage/memory-database';
import { OperationStore } from '../storage/operation-store';
import type { Operation } from '../sync/operation';
import { type CarriedHead, traceSigned } from '../sync/signing';
import { type Row, readRows } from '../sync/wire';
import { ExchangeClient } from './exchange-client';
import { MemoryUnit } from './memory-unit';
import { UnitRequests } from './unit-requests';

const WHO = { by: 'staff/s-1', tappedBy: 'staff/s-1' };
const NOON = 1_790_000_000_000;

let unit: MemoryUnit;
/** What the unit says besides: whether it is of this release, and the heads that it hands out. */
let isNewer: boolean;
let heads: CarriedHead[];
let asked: (string | null)[];
let offered: { operations: Operation[]; heads?: CarriedHead[] }[];
let saved = 0;

beforeEach(() => {
  unit = new MemoryUnit();
  isNewer = true;
  heads = [];
  asked = [];
  offered = [];
});

async function fetchWithHeads(path: string, init: RequestInit): Promise<Response> {
  const url = new URL(path, 'http://unit.test');
  const answer = await unit.fetch(path, init);
  if (url.pathname === '/api/exchange/pull') {
    asked.push(url.searchParams.get('heads'));
    return Response.json({ ...(await answer.json()), ...(isNewer && { heads }) });
  }
  if (url.pathname === '/api/exchange/handshake') {
    return Response.json({ ...(await answer.json()), ...(isNewer && { signed_heads: true }) });
  }
  if (url.pathname === '/api/exchange/resupply' && typeof init.body === 'string') {
    const content = JSON.parse(init.body);
    if ('rows' in content) {
      const { rows, digest, device } = content as { rows: Row[]; digest: string; device: string };
      offered.push({ ...content, operations: readRows(rows, digest, device) });
    }
  }
  return answer;
}

class Reader {
  readonly store: OperationStore;
  readonly client: ExchangeClient;

  constructor(
    database: ConstructorParameters<typeof OperationStore>[0],
    readonly name: string,
  ) {
    this.store = new OperationStore(database, packagedCatalogue());
    this.client = new ExchangeClient(this.store, new UnitRequests(fetchWithHeads), {
      nowMs: () => NOON,
      newEpoch: () => 'ep01',
      newDeviceId: () => name,
      onRecords: () => {},
      onStanding: () => {},
    });
  }

  save(record: string): void {
    const draft = {
      draftId: `d-${++saved}`,
      record,
      set: { case: 'case/c-1', stop_um: saved },
    };
    const newSalt = () => `${saved}`.padStart(32, '0');
    this.store.save([draft], WHO, { wallMs: NOON + saved, newSalt });
  }
}

async function joined(name: string): Promise<Reader> {
  const reader = new Reader((await openMemoryDisk()).database, name);
  await reader.client.join('GOOD', name);
  return reader;
}

const lastOf = (operations: { operation: Operation }[]): Operation => {
  const last = operations.at(-1)?.operation;
  if (last === undefined) throw new Error('nothing was received');
  return last;
};

const signed = ({ device, epoch, counter, hash }: Operation): CarriedHead => [
  device,
  epoch,
  counter,
  hash,
  `signature of ${device} over ${counter}`,
];

/** Tablet A writes, tablet B reads it with the head over it, and the unit is put back. */
async function readByB(count: number): Promise<Reader> {
  const [a, b] = [await joined('tablet-a'), await joined('tablet-b')];
  for (let number = 0; number < count; number++) a.save(`puncture/a-${number}`);
  await a.client.run();
  heads = [signed(lastOf(unit.received))];
  await b.client.run();
  unit.putBackTo(1);
  unit.server = 'server-2';
  heads = [];
  return b;
}

/** Planted and caught: a page's heads left out of what is kept. */
test('[SG12] what was read is offered with the head that vouches for all of it', async () => {
  const b = await readByB(4);
  await b.client.run();

  const [batch] = offered;
  const [head] = batch?.heads ?? [];
  if (batch === undefined || head === undefined) throw new Error('a head was offered');
  const tip = { epoch: 'ep01', counter: 1, hash: unit.received[0]?.operation.hash ?? '' };
  const find = (counter: number, hash: string) =>
    batch.operations.find((one) => one.counter === counter && one.hash === hash);
  const covered = traceSigned(tip, { epoch: 'ep01', counter: head[2], hash: head[3] }, find);
  expect(covered.map((one) => one.counter)).toEqual([2, 3, 4]);
});

/** Planted and caught: the offer brought heads whatever the unit had said. */
test('[SG12] a unit put back to an older release is offered the same without heads', async () => {
  const b = await readByB(2);
  isNewer = false;
  await b.client.run();

  expect(offered).toHaveLength(1);
  expect(offered[0]).not.toHaveProperty('heads');
  expect(unit.received).toHaveLength(2);
});

/** Planted and caught: every page asked for the heads of every log. */
test('[SG12] the first page of a stream brings the heads of every log, and then each its own', async () => {
  const [a, b] = [await joined('tablet-a'), await joined('tablet-b')];
  /** A writes once more and B reads it: what B asked for. */
  const askedAfter = async (record: string) => {
    a.save(record);
    await a.client.run();
    asked = [];
    if (isNewer) heads = [signed(lastOf(unit.received))];
    await b.client.run();
    return asked;
  };
  isNewer = false;
  expect(await askedAfter('puncture/p-1')).toEqual([null]);

  // The unit is brought to this release.
  isNewer = true;
  expect(await askedAfter('puncture/p-2')).toEqual(['all']);
  expect(await askedAfter('puncture/p-3')).toEqual(['page']);
  expect(b.store.database.select('SELECT counter FROM signed_head')).toEqual([
    { counter: 2 },
    { counter: 3 },
  ]);
});

test('[SG12] of a log those within a stretch and the first one above it are brought', async () => {
  const { database } = (await joined('tablet-b')).store;
  const head = (counter: number, device = 'tablet-a'): CarriedHead => [
    device,
    'ep01',
    counter,
    `${counter}`.padStart(64, '0'),
    'signature',
  ];
  keepHeads(database, [head(3), head(3), head(5), head(9), head(12), head(5, 'tablet-c')]);
  const found = (first: number, last: number, most = 1_000) =>
    headsOver(database, ['tablet-a', 'ep01'], { first, last, most }).map((one) => one[2]);

  expect(found(1, 2)).toEqual([3]);
  expect(found(1, 3)).toEqual([3]);
  expect(found(4, 6)).toEqual([9, 5]);
  expect(found(4, 6, 1)).toEqual([9]);
  expect(found(6, 20)).toEqual([12, 9]);
  expect(found(13, 20)).toEqual([]);
});

/** Planted and caught: the lowest ones kept; those of another log counted in. */
test('[SG12] a log keeps its highest heads alone', async () => {
  const { database } = (await joined('tablet-b')).store;
  const head = (counter: number): CarriedHead => [
    'tablet-a',
    'ep01',
    counter,
    `${counter}`.padStart(64, '0'),
    'signature',
  ];
  const made = Array.from({ length: HEADS_KEPT + 5 }, (_, place) => head(place + 1));
  keepHeads(database, [...made, ['tablet-c', 'ep01', 1, '0'.repeat(64), 'signature']]);

  const range = 'SELECT device, min(counter) AS low, max(counter) AS high, count(*) AS count';
  expect(database.select(`${range} FROM signed_head GROUP BY device`)).toEqual([
    { device: 'tablet-a', low: 6, high: HEADS_KEPT + 5, count: HEADS_KEPT },
    { device: 'tablet-c', low: 1, high: 1, count: 1 },
  ]);
});

/** Planted and caught: the key that a file names kept in place of the signature. */
test('[SG12] [BU6] the heads of others that a file carries are kept, the own ones not', async () => {
  const { store } = await joined('tablet-b');
  const hash = 'a'.repeat(64);
  const manifest = { madeBy: 'unit', madeAtMs: 1, scope: 'all', streams: [] };
  takeInBundle(
    store,
    {
      manifest,
      operations: [],
      signatures: [
        ['tablet-a', 'ep01', 3, hash, 'key', 'signature'],
        ['tablet-b', 'ep01', 4, hash, 'key', 'signature'],
      ],
    },
    NOON,
  );

  expect(headsOver(store.database, ['tablet-a', 'ep01'], { first: 1, last: 3, most: 9 })).toEqual([
    ['tablet-a', 'ep01', 3, hash, 'signature'],
  ]);
  expect(store.database.select('SELECT device FROM signed_head')).toEqual([{ device: 'tablet-a' }]);
});
