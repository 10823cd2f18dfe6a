import { beforeEach, expect, test } from 'vitest';
import { MemoryUnit } from '../network/memory-unit';
import { UnitRequests } from '../network/unit-requests';
import type { Draft, ExchangeStanding } from '../ports';
import { packagedCatalogue } from '../record-catalogue/packaged-catalogue';
import { sayTold } from '../text/told';
import { tell } from '../told';
import { judgeMark } from './high-water-mark';
import { type MemoryDisk, openMemoryDisk } from './memory-database';
import { MemorySecondCopy } from './memory-second-copy';
import { OperationStore } from './operation-store';
import { SecondCopyKeeper } from './second-copy-keeper';
import { StoreService } from './store-service';

const WHO = { by: 'staff/s-1', tappedBy: 'staff/s-1' };
const DRAFT: Draft = { draftId: 'd-1', record: 'puncture/p-1', set: { case: 'case/c-1' } };

/** One tablet whose time stands still; `ring` runs what waits. */
class Tablet {
  readonly store: OperationStore;
  readonly service: StoreService;
  waits: number[] = [];
  records: string[][] = [];
  standings: ExchangeStanding[] = [];
  #timers = new Set<() => void>();
  #epochs = 0;

  constructor(
    readonly disk: MemoryDisk,
    unit: MemoryUnit,
    readonly copy = new MemorySecondCopy(),
  ) {
    const start = copy.content.head === null ? 'a' : 'b';
    const around = {
      nowMs: () => 1_000,
      newEpoch: () => `epoch${++this.#epochs}${start}`,
    };
    this.store = new OperationStore(disk.database, packagedCatalogue());
    const keeper = new SecondCopyKeeper(disk.database, this.store, copy, around);
    this.service = new StoreService(this.store, keeper, new UnitRequests(unit.fetch), {
      ...around,
      newSalt: () => '0'.repeat(32),
      newDeviceId: () => 'tablet-n',
      chance: () => 1,
      later: (waitMs, work) => {
        this.waits.push(waitMs);
        this.#timers.add(work);
        return () => this.#timers.delete(work);
      },
      onRecords: (records) => this.records.push(records),
      onExchange: (standing) => this.standings.push(standing),
    });
  }

  ring(): void {
    for (const work of [...this.#timers]) {
      this.#timers.delete(work);
      work();
    }
  }
}

let unit: MemoryUnit;
let tablet: Tablet;
beforeEach(async () => {
  unit = new MemoryUnit();
  tablet = new Tablet(await openMemoryDisk(), unit);
});

test('a fresh tablet opens with no standing and can work alone', async () => {
  expect(await tablet.service.start()).toBeNull();
  expect(tablet.service.startAlone('bedside')).toEqual({
    device: 'tablet-n',
    role: 'bedside',
    joined: false,
    unitName: '',
  });
  expect(tablet.service.save([DRAFT], WHO).kind).toBe('saved');
  tablet.ring();

  expect(tablet.records).toEqual([['puncture/p-1']]);
  expect(tablet.standings.at(-1)).toMatchObject({ state: 'alone', unsent: 1 });
});

test('before a device is set up nothing is saved, and the sentence says so first', () => {
  const answer = tablet.service.save([DRAFT], WHO);

  expect(answer).toMatchObject({ kind: 'not-saved' });
  expect('sentence' in answer && sayTold(answer.sentence)).toMatch(
    /^NOT SAVED\. .*Set it up first\.$/,
  );
});

test('[REL-10] a disk that refuses gives NOT SAVED and leaves no entry behind', () => {
  tablet.service.startAlone('bedside');
  tablet.disk.database.exec(
    "CREATE TRIGGER full BEFORE INSERT ON operation BEGIN SELECT RAISE(ABORT, 'disk is full'); END",
  );

  const answer = tablet.service.save([DRAFT], WHO);

  expect('sentence' in answer && sayTold(answer.sentence)).toMatch(/^NOT SAVED\. .*disk is full/);
  tablet.disk.database.exec('DROP TRIGGER full');
  expect(tablet.service.save([DRAFT], WHO).kind).toBe('saved');
  expect(tablet.store.tip().counter).toBe(1);
});

test('a save makes the exchange come soon, a joined tablet sends it', async () => {
  await tablet.service.start();
  expect((await tablet.service.join('GOOD')).kind).toBe('joined');
  tablet.service.save([DRAFT], WHO);
  expect(tablet.waits.at(-1)).toBe(300);

  const standing = await tablet.service.exchangeNow();

  expect(standing).toMatchObject({ state: 'resting', unsent: 0 });
  expect(tablet.waits.at(-1)).toBe(30_000);
});

/** Has caught: the exchange that ended put the next one off to 30 s, over the turn of the save. */
test('a save while an exchange runs keeps its early turn', async () => {
  await tablet.service.join('GOOD');
  const running = tablet.service.exchangeNow();
  await Promise.resolve();
  tablet.service.save([DRAFT], WHO);
  await running;

  expect(tablet.waits.at(-1)).toBe(300);
});

test('failed exchanges wait longer each time', async () => {
  await tablet.service.join('GOOD');
  unit.troubles = ['lose-request', 'lose-request', 'lose-request'];
  const waits: (number | undefined)[] = [];
  for (let round = 0; round < 3; round++) {
    await tablet.service.exchangeNow();
    waits.push(tablet.waits.at(-1));
  }

  expect(waits).toEqual([1_000, 2_000, 4_000]);
});

test('the unit is asked for its second check, and an answer that does not come is no verdict', async () => {
  tablet.service.startAlone('bedside');
  const alone = await tablet.service.planChecks();
  await tablet.service.join('GOOD');
  unit.planChecks = { plans: [], agreed: 3, waiting: 1 };
  const told = await tablet.service.planChecks();
  unit.troubles = ['lose-answer'];
  const lost = await tablet.service.planChecks();

  expect(alone).toEqual({ kind: 'not-told', sentence: '' });
  expect(told).toEqual({ kind: 'told', plans: [], agreed: 3, waiting: 1 });
  expect(lost).toEqual({ kind: 'not-told', sentence: tell('unreachable') });
});

/** The planted bug it has caught: what the unit said forgotten, and told at the desk for ever. */
test('[CF5] a desk, which reads no decision, takes the word of the unit for what was seen to', async () => {
  await tablet.service.join('GOOD');
  tablet.store.setAside('tablet', 'tablet-b.ep01.1', 'e1', '{}', 'It was altered.', 5);
  const [alarm] = tablet.service.ownAlarms();
  if (alarm === undefined) throw new Error('no alarm');
  expect(tablet.store.standingTrouble()).toContain('It was altered.');

  unit.decisions = {
    alarms: [],
    seen_to: [{ ...alarm, by: '', written_ms: 6, because: [] }],
  };
  expect(await tablet.service.unitAlarms()).toEqual({ kind: 'told', ...unit.decisions });
  expect(tablet.store.standingTrouble()).toBe('');
  unit.troubles = ['lose-answer'];
  await tablet.service.unitAlarms();
  expect(tablet.store.standingTrouble()).toBe('');

  unit.decisions = { alarms: [alarm], seen_to: [] };
  await tablet.service.unitAlarms();
  expect(tablet.store.standingTrouble()).toContain('It was altered.');
});

test('the mark follows the log', async () => {
  await tablet.service.start();
  tablet.service.startAlone('bedside');
  tablet.service.save([DRAFT], WHO);
  tablet.service.save([{ ...DRAFT, draftId: 'd-2' }], WHO);
  await new Promise((resolve) => setTimeout(resolve));

  const { epoch } = tablet.store.tip();
  expect(tablet.copy.content.head).toMatchObject({ device: 'tablet-n', epoch, counter: 2 });
});

test('[HAZ-36] a store older than its mark goes on in a new epoch', async () => {
  tablet.service.startAlone('bedside');
  tablet.service.save([DRAFT], WHO);
  const older = tablet.disk.reopen();
  const { epoch } = tablet.store.tip();

  const mark = { device: 'tablet-n', epoch, counter: 2 };
  const restored = new Tablet(older, unit, new MemorySecondCopy(mark));
  await restored.service.start();

  expect(restored.store.tip().epoch).not.toBe(epoch);
  expect(restored.store.tip().counter).toBe(0);
  expect(restored.store.unsent().count).toBe(1);
});

test('[HAZ-36] a wiped store is named and never looks like a fresh tablet', async () => {
  tablet.copy.content.head = { device: 'tablet-old', epoch: 'ep01', counter: 41 };

  expect(await tablet.service.start()).toBeNull();
  tablet.service.startAlone('bedside');

  expect(sayTold(tablet.standings.at(-1)?.sentence ?? '')).toContain('held as tablet-old are gone');
});

test('log and mark are judged as one story or two', () => {
  const mark = (counter: number, epoch = 'ep01') => ({ device: 'a', epoch, counter });
  const tip = (counter: number) => ({ epoch: 'ep01', counter, hash: 'h' });

  expect(judgeMark(null, null, null)).toBe('fresh');
  expect(judgeMark(null, null, mark(1))).toBe('store-lost');
  expect(judgeMark('a', tip(3), mark(3))).toBe('goes-on');
  expect(judgeMark('a', tip(3), mark(2))).toBe('goes-on');
  expect(judgeMark('a', tip(3), mark(4))).toBe('new-epoch');
  expect(judgeMark('a', tip(0), mark(1))).toBe('new-epoch');
  expect(judgeMark('a', tip(0), null)).toBe('goes-on');
  expect(judgeMark('a', tip(3), null)).toBe('new-epoch');
  expect(judgeMark('a', tip(3), mark(3, 'ep00'))).toBe('new-epoch');
  expect(judgeMark('b', tip(3), mark(3))).toBe('new-epoch');
});
