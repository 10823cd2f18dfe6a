/** Files, dropped cases and segments as the page meets them: through the store's service. */
import { beforeEach, expect, test } from 'vitest';
import { MemoryUnit } from '../network/memory-unit';
import { UnitRequests } from '../network/unit-requests';
import { packagedCatalogue } from '../record-catalogue/packaged-catalogue';
import { sayTold } from '../text/told';
import { tell } from '../told';
import { KEEP_MS } from './dropping';
import { openMemoryDisk } from './memory-database';
import { MemorySecondCopy } from './memory-second-copy';
import { OperationStore } from './operation-store';
import { SecondCopyKeeper } from './second-copy-keeper';
import { StoreService } from './store-service';

const WHO = { by: 'staff/s-1', tappedBy: 'staff/s-1' };

class Tablet {
  #nowMs = 1_000_000;
  records: string[][] = [];
  drafts = 0;
  readonly service: StoreService;

  get nowMs(): number {
    return this.#nowMs;
  }

  /** The unit's clock goes with the tablet's. */
  set nowMs(wallMs: number) {
    this.#nowMs = wallMs;
    this.unit.wallMs = wallMs;
  }

  constructor(
    database: ConstructorParameters<typeof OperationStore>[0],
    readonly unit: MemoryUnit,
  ) {
    unit.wallMs = this.#nowMs;
    const store = new OperationStore(database, packagedCatalogue());
    const around = { nowMs: () => this.nowMs, newEpoch: () => `ep${this.nowMs}` };
    const keeper = new SecondCopyKeeper(database, store, new MemorySecondCopy(), around);
    this.service = new StoreService(store, keeper, new UnitRequests(unit.fetch), {
      ...around,
      newSalt: () => '0'.repeat(32),
      newDeviceId: () => 'tablet-n',
      chance: () => 1,
      later: () => () => {},
      onRecords: (records) => this.records.push(records),
      onExchange: () => {},
    });
  }

  save(record: string, set: Record<string, string | number>): void {
    this.drafts += 1;
    const draft = { draftId: `d-${this.drafts}`, record, set };
    expect(this.service.save([draft], WHO).kind).toBe('saved');
  }
}

let unit: MemoryUnit;
let tablet: Tablet;
beforeEach(async () => {
  unit = new MemoryUnit();
  tablet = new Tablet((await openMemoryDisk()).database, unit);
});

function readCase(): number {
  return tablet.service.read({ kind: 'case', record: 'case/c-1', isLookedAt: true }).length;
}

test('[SN5] [SN6] an old case goes by itself and comes back when it is opened', async () => {
  await tablet.service.join('GOOD');
  tablet.save('case/c-1', { patient: 'patient/p-1', stage: 'closed' });
  tablet.save('coil_placed/k-1', { case: 'case/c-1', slot: 1 });
  tablet.save('staff/s-1', { name: 'Invented Name' });
  await tablet.service.exchangeNow();
  tablet.nowMs += KEEP_MS;
  tablet.save('staff/s-1', { name: 'Other Name' });
  await tablet.service.exchangeNow();
  expect(tablet.service.droppedCases()).toMatchObject([{ record: 'case/c-1' }]);
  expect(tablet.records.at(-1)).toEqual(['case/c-1']);

  expect(readCase()).toBe(0);
  unit.troubles = ['lose-request'];
  await tablet.service.exchangeNow();
  expect(readCase()).toBe(0);
  await tablet.service.exchangeNow();

  expect(readCase()).toBe(1);
  expect(tablet.service.read({ kind: 'coil_placed', parent: 'case/c-1' })).toHaveLength(1);
  expect(tablet.service.droppedCases()).toEqual([]);
  // Somebody looks at it now: it stays, however late it is.
  tablet.nowMs += KEEP_MS * 2;
  await tablet.service.exchangeNow();
  expect(readCase()).toBe(1);
});

test('[BU1] [BU5] a file from a tablet without network fills another one and its unit', async () => {
  tablet.service.startAlone('bedside');
  tablet.save('case/c-1', { patient: 'patient/p-1', stage: 'planned' });
  const { bytes, operations } = await tablet.service.saveToFile('unsent');
  expect(operations).toBe(1);

  tablet = new Tablet((await openMemoryDisk()).database, unit);
  expect(await tablet.service.openFile(bytes)).toMatchObject({
    kind: 'refused',
    sentence: tell('nothingTaken', { why: tell('fileNotSetUp') }),
  });
  tablet.service.startAlone('bedside');
  const answer = await tablet.service.openFile(bytes);

  expect(answer).toMatchObject({ kind: 'taken-in', taken: { taken: 1, known: 0 } });
  expect(readCase()).toBe(1);
  await tablet.service.join('GOOD');
  await tablet.service.exchangeNow();
  expect(unit.received.map(({ operation }) => operation.record)).toEqual(['case/c-1']);
});

test('[BU1] a file that is none is refused in a sentence', async () => {
  tablet.service.startAlone('bedside');

  const answer = await tablet.service.openFile(new TextEncoder().encode('not a bundle'));

  expect(answer.kind === 'refused' && sayTold(answer.sentence)).toMatch(
    /^Nothing was taken in\. .*\.$/,
  );
});
