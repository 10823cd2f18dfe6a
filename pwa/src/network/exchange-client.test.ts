import { beforeEach, describe, expect, test } from 'vitest';
import type { Draft, ExchangeStanding } from '../ports';
import { packagedCatalogue } from '../record-catalogue/packaged-catalogue';
import { type MemoryDisk, openMemoryDisk } from '../storage/memory-database';
import { OperationStore } from '../storage/operation-store';
import { sayTold } from '../text/told';
import { ExchangeClient } from './exchange-client';
import { MemoryUnit } from './memory-unit';
import { UnitRequests } from './unit-requests';

const WHO = { by: 'staff/s-1', tappedBy: 'staff/s-1' };
const NOON = 1_790_000_000_000;

class Tablet {
  heard: string[] = [];
  standings: ExchangeStanding[] = [];
  readonly store: OperationStore;
  readonly client: ExchangeClient;
  #drawn = 0;

  constructor(
    readonly disk: MemoryDisk,
    unit: MemoryUnit,
    readonly name: string,
  ) {
    this.store = new OperationStore(disk.database, packagedCatalogue());
    let epochs = 0;
    this.client = new ExchangeClient(this.store, new UnitRequests(unit.fetch), {
      nowMs: () => NOON,
      newEpoch: () => `${name.slice(-1)}ep${++epochs}${this.store.tip().epoch.length}`,
      newDeviceId: () => name,
      onRecords: (records) => this.heard.push(...records),
      onStanding: (standing) => this.standings.push(standing),
    });
  }

  save(record: string, stopUm: number, over: Draft['over'] = {}): string {
    this.#drawn++;
    const draftId = `${record}-${stopUm}`;
    const draft = { draftId, record, set: { case: 'case/c-1', stop_um: stopUm }, over };
    const newSalt = () => `${this.name.charCodeAt(0)}${this.#drawn}`.padStart(32, '0');
    const circumstances = { wallMs: NOON + this.#drawn, newSalt };
    return this.store.save([draft], WHO, circumstances).references[0] ?? '';
  }

  punctures(): unknown {
    return this.store.read({ kind: 'puncture' });
  }
}

let unit: MemoryUnit;
let a: Tablet;
let b: Tablet;
beforeEach(async () => {
  unit = new MemoryUnit();
  a = new Tablet(await openMemoryDisk(), unit, 'tablet-a');
  b = new Tablet(await openMemoryDisk(), unit, 'tablet-b');
  await a.client.join('GOOD', 'a');
  await b.client.join('GOOD', 'b');
});

test('[EX1] what one tablet saved is on the other after both have exchanged', async () => {
  a.save('puncture/p-1', 30_000);

  expect((await a.client.run()).state).toBe('resting');
  expect((await b.client.run()).state).toBe('resting');

  expect(b.punctures()).toEqual(a.punctures());
  expect(b.heard).toEqual(['puncture/p-1']);
  expect(a.store.unsent().count).toBe(0);
});

test('a device that has not joined stays alone and asks nobody', async () => {
  const alone = new Tablet(await openMemoryDisk(), unit, 'tablet-x');
  unit.fetch = () => Promise.reject(new Error('asked'));
  const before = { device: 'tablet-x', role: 'bedside' as const, token: null };
  alone.store.becomeDevice({ ...before, unitName: '', streams: ['care'] }, 'epx1');
  alone.save('puncture/p-1', 1);

  const standing = await alone.client.run();

  expect(standing).toMatchObject({ state: 'alone', unsent: 1 });
});

test('a device that worked alone keeps its id on joining and sends everything', async () => {
  const alone = new Tablet(await openMemoryDisk(), unit, 'tablet-x');
  const before = { device: 'tablet-x', role: 'bedside' as const, token: null };
  alone.store.becomeDevice({ ...before, unitName: '', streams: ['care'] }, 'epx1');
  alone.save('puncture/p-1', 1);

  const joined = await alone.client.join('GOOD', 'x');
  await alone.client.run();

  expect(joined.kind).toBe('joined');
  expect(unit.received.map((one) => one.operation.opId)).toEqual(['tablet-x.epx1.1']);
  expect(alone.store.unsent().count).toBe(0);
});

test('a wrong code gives the sentence of the unit and changes nothing', async () => {
  const other = new Tablet(await openMemoryDisk(), unit, 'tablet-x');

  expect(await other.client.join('BAD', 'x')).toEqual({
    kind: 'refused',
    sentence: 'This code is not known. Ask for a new one.',
  });
  expect(other.store.ownDevice()).toBeNull();
});

test('[EX6] an answer that got lost after the commit makes no second operation', async () => {
  a.save('puncture/p-1', 30_000);
  unit.troubles = [undefined as never, 'lose-answer'];

  expect((await a.client.run()).state).toBe('no-network');
  expect(a.store.unsent().count).toBe(1);
  expect((await a.client.run()).state).toBe('resting');

  expect(unit.received).toHaveLength(1);
  expect(a.store.unsent().count).toBe(0);
});

test('without a network nothing is lost and the count stays honest', async () => {
  a.save('puncture/p-1', 30_000);
  unit.troubles = ['lose-request'];

  const standing = await a.client.run();

  expect(standing).toMatchObject({ state: 'no-network', unsent: 1, oldestUnsentMs: NOON + 1 });
  expect(a.client.failures).toBe(1);
});

test('a server that is busy is asked again and nobody is alarmed', async () => {
  unit.troubles = ['answer-503'];

  expect(await a.client.run()).toMatchObject({ state: 'no-network', sentence: '' });
});

test('a unit that no longer knows the device is shown as refusing, with its sentence', async () => {
  unit.tokens.clear();

  expect(await a.client.run()).toMatchObject({
    state: 'refused',
    sentence: 'This device is not known here. Join it again.',
  });
});

test('[EX3] a unit put back to an older copy gets everything again', async () => {
  a.save('puncture/p-1', 1);
  a.save('puncture/p-2', 2);
  await a.client.run();
  await b.client.run();
  unit.putBackTo(1);
  b.save('puncture/p-3', 3);
  await b.client.run();
  await a.client.run();
  await b.client.run();

  expect(unit.received.map((one) => one.operation.record).sort()).toEqual([
    'puncture/p-1',
    'puncture/p-2',
    'puncture/p-3',
  ]);
  expect(a.punctures()).toEqual(b.punctures());
});

test('[EX4] a tablet put back to an older copy takes a new epoch and gets its own back', async () => {
  a.save('puncture/p-1', 1);
  await a.client.run();
  const older = a.disk.reopen();
  a.save('puncture/p-2', 2);
  await a.client.run();

  const restored = new Tablet(older, unit, 'tablet-a');
  await restored.client.run();
  restored.save('puncture/p-3', 3);
  await restored.client.run();
  await b.client.run();

  expect(restored.store.tip()).toMatchObject({ counter: 1 });
  expect(restored.store.read({ kind: 'puncture' })).toHaveLength(3);
  expect(restored.punctures()).toEqual(b.punctures());
  expect(restored.store.isRecovering()).toBe(false);
});

test('[LG4] a fork tells a person, goes on in a new epoch and keeps pulling', async () => {
  a.save('puncture/p-1', 1);
  await a.client.run();
  const copy = new Tablet(a.disk.reopen(), unit, 'tablet-a');
  a.save('puncture/p-2', 2);
  copy.save('puncture/p-3', 3);
  await a.client.run();
  b.save('puncture/p-4', 4);
  await b.client.run();

  await copy.client.run();
  copy.save('puncture/p-5', 5);
  const standing = await copy.client.run();

  expect(standing.state).toBe('needs-a-person');
  expect(sayTold(standing.sentence)).toContain('Two devices have written as this one');
  expect(standing.unsent).toBe(0);
  expect(unit.received.map((one) => one.operation.record)).toContain('puncture/p-5');
  expect(copy.store.read({ kind: 'puncture', record: 'puncture/p-4' })).toHaveLength(1);
  expect(copy.store.read({ kind: 'puncture', record: 'puncture/p-3' })).toHaveLength(1);
});

test('[EX6] an operation the unit sets aside is reported and the queue behind it flows', async () => {
  a.save('puncture/p-1', 1);
  a.save('puncture/p-2', 2);
  unit.poison.add(`tablet-a.${a.store.tip().epoch}.1`);

  const standing = await a.client.run();
  await b.client.run();

  expect(standing).toMatchObject({ state: 'needs-a-person', unsent: 0 });
  expect(sayTold(standing.sentence)).toContain('1 entry was set aside');
  expect(b.store.read({ kind: 'puncture' }).map((state) => state.record)).toEqual(['puncture/p-2']);
});

test('[EX5] a long queue goes in batches and comes in pages', async () => {
  for (let number = 0; number < 2_300; number++) a.save(`puncture/p-${number}`, number);

  await a.client.run();
  await b.client.run();

  expect(unit.pushes.length).toBeGreaterThan(2);
  expect(Math.max(...unit.pushes)).toBeLessThanOrEqual(1_000);
  expect(b.store.read({ kind: 'puncture' })).toHaveLength(2_300);
}, 30_000);

describe('a unit whose receipts begin anew', () => {
  let c: Tablet;
  const records = (tablet: Tablet) =>
    tablet.store.read({ kind: 'puncture' }).map((state) => state.record);

  beforeEach(async () => {
    c = new Tablet(await openMemoryDisk(), unit, 'tablet-c');
    await c.client.join('GOOD', 'c');
    a.save('puncture/a-1', 1);
    a.save('puncture/a-2', 2);
    await a.client.run();
    await b.client.run();
    expect(b.store.cursors().care).toBe(2);
  });

  test('[EX3] a head below the cursor makes a tablet read from the start', async () => {
    unit.putBackTo(0);
    c.save('puncture/c-1', 3);
    await c.client.run();
    await b.client.run();

    expect(records(b)).toEqual(['puncture/a-1', 'puncture/a-2', 'puncture/c-1']);
  });

  test('[EX3] an own log that the unit held further makes a tablet read from the start', async () => {
    b.save('puncture/b-1', 4);
    await b.client.run();
    unit.putBackTo(0);
    for (const number of [1, 2, 3]) c.save(`puncture/c-${number}`, number);
    await c.client.run();
    await b.client.run();

    expect(records(b)).toContain('puncture/c-1');
    expect(records(b)).toHaveLength(6);
  });

  test('[EX1] another server under the same address is read from its start', async () => {
    unit.putBackTo(0);
    unit.server = 'server-2';
    for (const number of [1, 2, 3]) c.save(`puncture/c-${number}`, number);
    await c.client.run();
    await b.client.run();

    expect(records(b)).toHaveLength(5);
  });
});

test('a call during a round runs one more round and never two at once', async () => {
  let open = 0;
  let most = 0;
  const real = unit.fetch;
  const watched = new UnitRequests(async (path, init) => {
    most = Math.max(most, ++open);
    await new Promise((resolve) => setTimeout(resolve, 1));
    return real(path, init).finally(() => {
      open--;
    });
  });
  const client = new ExchangeClient(a.store, watched, {
    nowMs: () => NOON,
    newEpoch: () => 'ep99',
    newDeviceId: () => 'x',
    onRecords: () => {},
    onStanding: () => {},
  });
  const first = client.run();
  a.save('puncture/p-1', 1);
  await Promise.all([first, client.run(), client.run()]);

  expect(most).toBe(1);
  expect(a.store.unsent().count).toBe(0);
});
