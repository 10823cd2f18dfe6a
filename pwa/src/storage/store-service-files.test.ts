/** Files, dropped cases and segments as the page meets them: through the store's service. */
import { beforeEach, expect, test } from 'vitest';
import { MemoryUnit } from '../network/memory-unit';
import { UnitRequests } from '../network/unit-requests';
import { packagedCatalogue } from '../record-catalogue/packaged-catalogue';
import { sayTold } from '../text/told';
import { tell } from '../told';
import { linesToSend } from './access-rows';
import { KEEP_MS } from './dropping';
import { openMemoryDisk } from './memory-database';
import { MemorySecondCopy } from './memory-second-copy';
import { OperationStore } from './operation-store';
import { SecondCopyKeeper } from './second-copy-keeper';
import { StoreService } from './store-service';

const WHO = { by: 'staff/s-1', tappedBy: 'staff/s-1' };
const BY = { person: 'staff/s-1', role: 'endoscopist', isConfirmed: true };

class Tablet {
  #nowMs = 1_000_000;
  records: string[][] = [];
  drafts = 0;
  readonly service: StoreService;
  readonly database: ConstructorParameters<typeof OperationStore>[0];

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
    this.database = database;
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
  const { bytes, operations } = await tablet.service.saveToFile('unsent', BY);
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

/** Caught: a file with everybody's names in clear, saved without a line of who took it. */
test('[AU6] a saved file is noted: who, what scope, each patient in it; an empty one is not', async () => {
  tablet.service.startAlone('bedside');
  expect((await tablet.service.saveToFile('unsent', BY)).operations).toBe(0);
  const lines = () =>
    (linesToSend(tablet.database, 100)?.lines ?? []).map((one) => JSON.parse(one));
  expect(lines()).toEqual([]);
  const ids = Array.from({ length: 21 }, (_, at) => `patient/p-${String(at).padStart(2, '0')}`);
  for (const id of ids) tablet.save(id, { family_name: 'Greyfen' });
  tablet.save('case/c-1', { patient: ids[0] as string });

  const { operations } = await tablet.service.saveToFile('all', BY);

  expect(operations).toBe(22);
  expect(lines()).toHaveLength(2);
  for (const line of lines()) {
    expect(line).toMatchObject({ person: 'staff/s-1', role: 'endoscopist', outcome: 'done' });
    expect(line).toMatchObject({ verb: 'save-file', object: 'all-records', why: '' });
  }
  // No line names more records than the unit takes in one.
  expect(lines().map(({ records }) => records.length)).toEqual([20, 1]);
  expect(lines().flatMap(({ records }) => records)).toEqual(ids);
  expect(JSON.stringify(lines())).not.toContain('Greyfen');
  // Where nobody has a PIN, that none was asked for stands there too.
  await tablet.service.saveToFile('unsent', { person: '', role: '', isConfirmed: false });
  expect(lines().at(-1)).toMatchObject({ person: '', object: 'unsent-records', why: 'no-pin-set' });
});

test('[AU6] where the disk refuses the note there is no file', async () => {
  tablet.service.startAlone('bedside');
  tablet.save('patient/p-1', { family_name: 'Greyfen' });
  tablet.database.exec('DROP TABLE access_line', []);

  await expect(tablet.service.saveToFile('all', BY)).rejects.toThrow();
});

test('[BU1] a file that is none is refused in a sentence', async () => {
  tablet.service.startAlone('bedside');

  const answer = await tablet.service.openFile(new TextEncoder().encode('not a bundle'));

  expect(answer.kind === 'refused' && sayTold(answer.sentence)).toMatch(
    /^Nothing was taken in\. .*\.$/,
  );
});
