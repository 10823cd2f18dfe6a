/** A disk without space, put between the store and SQLite: nothing is ever falsely saved. */
import { beforeEach, describe, expect, test } from 'vitest';
import { MemoryUnit } from '../network/memory-unit';
import { UnitRequests } from '../network/unit-requests';
import type { Draft } from '../ports';
import { packagedCatalogue } from '../record-catalogue/packaged-catalogue';
import { sayTold } from '../text/told';
import type { Bound, Database, Row } from './database';
import { type MemoryDisk, openMemoryDisk } from './memory-database';
import { MemorySecondCopy } from './memory-second-copy';
import { OperationStore } from './operation-store';
import { SecondCopyKeeper } from './second-copy-keeper';
import { StoreService } from './store-service';
import { checkOwnEntries, checkStructure } from './store-soundness';

const WHO = { by: 'staff/s-1', tappedBy: 'staff/s-1' };
const draft = (place: number): Draft => ({
  draftId: `d-${place}`,
  record: `puncture/p-${place}`,
  set: { case: 'case/c-1', stop_um: place },
});

/** Refuses the n-th write from now on, and every one after it, until there is space again. */
class FillingDisk implements Database {
  readonly #disk: Database;
  writesLeft = Number.POSITIVE_INFINITY;

  constructor(disk: Database) {
    this.#disk = disk;
  }

  #write(): void {
    if (this.writesLeft-- <= 0) throw new Error('database or disk is full');
  }

  exec(sql: string, bind?: readonly Bound[]): void {
    this.#write();
    this.#disk.exec(sql, bind);
  }

  select(sql: string, bind?: readonly Bound[]): Row[] {
    if (/^\s*(INSERT|UPDATE)/.test(sql)) this.#write();
    return this.#disk.select(sql, bind);
  }

  get rollbacks(): number {
    return this.#disk.rollbacks;
  }

  transaction<Answer>(work: () => Answer): Answer {
    return this.#disk.transaction(() => {
      const answer = work();
      // The commit writes too.
      this.#write();
      return answer;
    });
  }

  close(): void {
    this.#disk.close();
  }
}

let disk: MemoryDisk;
let filling: FillingDisk;
let store: OperationStore;
let service: StoreService;
let copy: MemorySecondCopy;

beforeEach(async () => {
  disk = await openMemoryDisk();
  filling = new FillingDisk(disk.database);
  store = new OperationStore(filling, packagedCatalogue());
  copy = new MemorySecondCopy();
  const around = { nowMs: () => 1_000, newEpoch: () => 'ep01' };
  const keeper = new SecondCopyKeeper(filling, store, copy, around);
  let drawn = 0;
  service = new StoreService(store, keeper, new UnitRequests(new MemoryUnit().fetch), {
    ...around,
    newSalt: () => String(++drawn).padStart(32, '0'),
    newDeviceId: () => 'tablet-n',
    chance: () => 1,
    later: () => () => {},
    onRecords: () => {},
    onExchange: () => {},
  });
  await service.start();
  service.startAlone('bedside');
  service.save([draft(1)], WHO);
});

describe('disk_full', () => {
  /** The planted bug it has caught: a transaction that rolls back and hides why. */
  test('[REL-10] [HAZ-37] whichever write is refused, the entry is there whole or not at all', () => {
    let refusals = 0;
    for (let allowed = 0; ; allowed++) {
      const before = store.tip();
      filling.writesLeft = allowed;
      const answer = service.save([draft(100 + allowed), draft(300 + allowed)], WHO);
      const needed = filling.writesLeft >= 0;
      filling.writesLeft = Number.POSITIVE_INFINITY;
      if (needed) {
        expect(answer.kind).toBe('saved');
        break;
      }
      refusals += 1;
      expect('sentence' in answer && sayTold(answer.sentence)).toMatch(
        /^NOT SAVED\. The tablet's disk refused \(database or disk is full\)\. .* then press again\.$/,
      );
      expect(store.tip()).toEqual(before);
      expect(store.read({ kind: 'puncture' })).toHaveLength(1);
      checkStructure(disk.database);
      checkOwnEntries(disk.database);
    }
    expect(refusals).toBeGreaterThan(5);
    expect(store.read({ kind: 'puncture' })).toHaveLength(3);
  });

  test('[REL-10] the same press goes through once there is space, as one entry', () => {
    filling.writesLeft = 3;
    expect(service.save([draft(2)], WHO).kind).toBe('not-saved');
    expect(service.save([draft(2)], WHO).kind).toBe('not-saved');
    filling.writesLeft = Number.POSITIVE_INFINITY;

    expect(service.save([draft(2)], WHO).kind).toBe('saved');
    expect(service.save([draft(2)], WHO).kind).toBe('saved');
    expect(store.tip().counter).toBe(2);
  });

  test('[REL-14] what was not saved is not in the second copy either', async () => {
    filling.writesLeft = 3;
    service.save([draft(2)], WHO);
    filling.writesLeft = Number.POSITIVE_INFINITY;
    service.save([draft(3)], WHO);
    await new Promise((resolve) => setTimeout(resolve));

    const records = copy.content.operations.map((one) => JSON.parse(one.envelope).record);
    expect(records).toEqual(['puncture/p-1', 'puncture/p-3']);
  });

  test('a disk that is full while it opens leaves the store as it was', async () => {
    const full = new FillingDisk((await openMemoryDisk()).database);
    full.writesLeft = 2;

    expect(() => new OperationStore(full, packagedCatalogue())).toThrow('disk is full');
    full.writesLeft = Number.POSITIVE_INFINITY;
    expect(new OperationStore(full, packagedCatalogue()).ownDevice()).toBeNull();
  });
});
