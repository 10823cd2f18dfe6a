/** Log and second copy under loss, damage and kills; both gone is named. */
import { beforeEach, describe, expect, test } from 'vitest';
import { packagedCatalogue } from '../record-catalogue/packaged-catalogue';
import { sayTold } from '../text/told';
import { type MemoryDisk, openMemoryDisk } from './memory-database';
import { MemorySecondCopy } from './memory-second-copy';
import { OperationStore, type OwnDevice } from './operation-store';
import { SecondCopyKeeper } from './second-copy-keeper';

const WHO = { by: 'staff/s-1', tappedBy: 'staff/s-1' };
const OWN: OwnDevice = {
  device: 'tablet-a',
  role: 'bedside',
  token: 'token-a',
  unitName: 'Unit',
  streams: ['care', 'booking', 'unit'],
};

/** One start of the app on what two disks hold. */
class Start {
  readonly store: OperationStore;
  readonly keeper: SecondCopyKeeper;
  #drawn = 0;
  static epochs = 0;

  constructor(
    readonly disk: MemoryDisk,
    readonly copy: MemorySecondCopy,
  ) {
    this.store = new OperationStore(disk.database, packagedCatalogue());
    this.keeper = new SecondCopyKeeper(disk.database, this.store, copy, {
      nowMs: () => 1_000,
      newEpoch: () => `epoch${++Start.epochs}`,
    });
  }

  save(count: number, from = 1): void {
    for (let place = from; place < from + count; place++) {
      this.store.save(
        [{ draftId: `d-${place}`, record: `puncture/p-${place}`, set: { stop_um: place } }],
        WHO,
        { wallMs: 1_000, newSalt: () => String(++this.#drawn).padStart(32, '0') },
      );
    }
  }

  counters(): number[] {
    return this.copy.content.operations.map((one) => one.counter);
  }
}

async function again(disk: MemoryDisk, copy: MemorySecondCopy): Promise<Start> {
  const start = new Start(disk, copy);
  await start.keeper.settle();
  await start.keeper.keep();
  return start;
}

let first: Start;
let epoch: string;
beforeEach(async () => {
  first = await again(await openMemoryDisk(), new MemorySecondCopy());
  first.store.becomeDevice(OWN, 'ep01');
  epoch = first.store.tip().epoch;
});

describe('keeping', () => {
  test('[REL-14] what the unit does not hold is in the copy, and leaves it when it does', async () => {
    first.save(5);
    await first.keeper.keep();
    expect(first.counters()).toEqual([1, 2, 3, 4, 5]);

    first.store.noteHeldByUnit(epoch, 4);
    await first.keeper.keep();
    // The last that the unit holds stays: its hash is what a handshake compares.
    expect(first.counters()).toEqual([4, 5]);

    first.save(1, 6);
    await first.keeper.keep();
    expect(first.counters()).toEqual([4, 5, 6]);
  });

  test('a unit that was put back holds less: its entries are copied once more', async () => {
    first.save(6);
    first.store.noteHeldByUnit(epoch, 6);
    await first.keeper.keep();
    expect(first.counters()).toEqual([6]);
    first.store.noteHeldByUnit(epoch, 2);

    await first.keeper.keep();

    expect(first.counters().sort()).toEqual([2, 3, 4, 5, 6]);
  });

  test('a thousand entries go over in a few writes, and nothing new writes nothing', async () => {
    first.save(1_001);
    await first.keeper.keep();
    const { writes } = first.copy;
    await first.keeper.keep();

    expect(first.counters()).toHaveLength(1_001);
    expect(writes).toBeLessThanOrEqual(4);
    expect(first.copy.writes).toBe(writes);
  });

  test('a copy that cannot be written is told, and told no more once it is', async () => {
    first.copy.fails = 'write';
    first.save(1);
    await first.keeper.keep();
    expect(sayTold(first.keeper.trouble)).toMatch(
      /second copy .* cannot be kept \(no space left\)/,
    );

    first.copy.fails = null;
    await first.keeper.keep();
    expect(first.keeper.trouble).toBe('');
    expect(first.counters()).toEqual([1]);
  });
});

describe('storage_evicted', () => {
  test('[REL-14] [HAZ-36] a lost log comes back from the copy, entry by entry', async () => {
    first.save(41);
    await first.keeper.keep();
    const before = first.store.read({ kind: 'puncture' });

    const found = await again(await openMemoryDisk(), first.copy);

    expect(found.store.ownDevice()).toEqual(OWN);
    expect(found.store.read({ kind: 'puncture' })).toEqual(before);
    expect(found.store.ownOperations('ep01', 1, 100)).toEqual(
      first.store.ownOperations('ep01', 1, 100),
    );
    expect(sayTold(found.store.notice())).toMatch(/^Store repaired: 41 entries restored/);
    expect(found.store.unsent().count).toBe(41);
    expect(found.store.isRecovering()).toBe(true);
    // New work never shares an id with an entry that the copy may have lacked.
    expect(found.store.tip()).toMatchObject({ counter: 0 });
    expect(found.store.epochsToExchange()).toEqual(['ep01', found.store.tip().epoch]);
    // The same draft pressed again after the repair is still the same entry.
    found.save(1);
    expect(found.store.unsent().count).toBe(41);
  });

  test('what had reached the unit is not missed: its hash at the last tip is kept', async () => {
    first.save(9);
    first.store.noteHeldByUnit(epoch, 6);
    await first.keeper.keep();
    const hash = first.store.ownHashAt('ep01', 6);

    const found = await again(await openMemoryDisk(), first.copy);

    expect(found.store.ownHashAt('ep01', 6)).toBe(hash);
    expect(found.store.unsent().count).toBe(3);
    expect(found.store.heldByUnit('ep01')).toBe(6);
  });

  test('[REL-14] a wiped copy is made again from the log, and named', async () => {
    first.save(41);
    first.store.noteHeldByUnit(epoch, 1);
    await first.keeper.keep();
    first.copy.wipe();

    const found = await again(first.disk.reopen(), first.copy);

    expect(sayTold(found.store.notice())).toMatch(
      /^Store repaired: the second copy .* 40 entries copied/,
    );
    expect(found.counters()).toHaveLength(41);
    expect(found.store.tip().epoch).not.toBe('ep01');
    const third = await again(found.disk.reopen(), found.copy);
    expect(third.store.notice()).toBe('');
    expect(third.store.tip().epoch).toBe(found.store.tip().epoch);
  });

  test('[HAZ-36] both gone never looks like a fresh tablet', async () => {
    first.save(3);
    await first.keeper.keep();
    first.copy.wipe();

    const found = await again(await openMemoryDisk(), first.copy);

    expect(found.store.ownDevice()).toBeNull();
    expect(sayTold(found.store.notice())).toContain('held as tablet-a are gone from its disk');
    // and nothing of what is left is written over before a person has joined it again
    expect(first.copy.content.head).toBeNull();
  });

  test('an older file gets back what the copy has beyond it', async () => {
    first.save(3);
    const older = first.disk.reopen();
    first.save(4, 4);
    await first.keeper.keep();

    const found = await again(older, first.copy);

    expect(sayTold(found.store.notice())).toMatch(/^Store repaired: 4 entries restored/);
    expect(found.store.read({ kind: 'puncture' })).toHaveLength(7);
    expect(found.store.tip().epoch).not.toBe('ep01');
    expect(found.store.tipOf('ep01')).toMatchObject({ counter: 7 });
  });

  test('an altered entry of the copy is set aside, the others come back', async () => {
    first.save(3);
    await first.keeper.keep();
    const [, second] = first.copy.content.operations;
    if (second !== undefined) second.body = second.body.replace('"stop_um":2', '"stop_um":9');

    const found = await again(await openMemoryDisk(), first.copy);

    expect(found.store.read({ kind: 'puncture' }).map((state) => state.record)).toEqual([
      'puncture/p-1',
      'puncture/p-3',
    ]);
    expect(found.store.quarantined().count).toBe(1);
    expect(sayTold(found.store.notice())).toMatch(/^Store repaired: 2 entries restored/);
  });

  /** The bug it has caught: entries of one epoch left in the order in which they lay. */
  test('entries are put back by their chain, in whatever order they lie in the copy', async () => {
    first.save(3);
    await first.keeper.keep();
    const other = await again(await openMemoryDisk(), new MemorySecondCopy());
    other.store.becomeDevice(OWN, 'ep01');
    other.save(1);
    other.save(1, 90);
    await other.keeper.keep();
    const [one, , three] = first.copy.content.operations;
    const [, otherTwo] = other.copy.content.operations;
    if (!one || !three || !otherTwo) throw new Error('three entries were saved');
    first.copy.content.operations = [three, otherTwo, one];

    const found = await again(await openMemoryDisk(), first.copy);

    expect(found.store.read({ kind: 'puncture' }).map((state) => state.record)).toEqual([
      'puncture/p-1',
      'puncture/p-90',
    ]);
    expect(found.store.quarantined().count).toBe(1);
  });

  test('a copy that cannot be read is never written over', async () => {
    first.save(3);
    await first.keeper.keep();
    first.copy.fails = 'read';

    const found = await again(await openMemoryDisk(), first.copy);
    found.store.becomeDevice({ ...OWN, device: 'tablet-b' }, 'ep77');
    found.save(1, 90);
    await found.keeper.keep();

    expect(sayTold(found.store.notice())).toContain('held as tablet-a are gone');
    expect(found.keeper.trouble).toContain('the connection was lost');
    expect(first.counters()).toEqual([1, 2, 3]);
  });

  test('entries of another device are set aside for a person', async () => {
    first.save(2);
    await first.keeper.keep();
    const other = new Start(await openMemoryDisk(), new MemorySecondCopy());
    other.store.becomeDevice({ ...OWN, device: 'tablet-b' }, 'ep77');
    other.save(1, 50);

    const found = await again(other.disk.reopen(), first.copy);

    expect(found.store.quarantined()).toMatchObject({ count: 2 });
    expect(found.store.ownDevice()?.device).toBe('tablet-b');
    expect(found.copy.content.operations.map((one) => one.epoch)).toEqual(['ep77']);
  });

  /**
   * The planted bug it has caught: `firstKept` two counters further, so that an entry the
   * unit had not acknowledged left the copy.
   */
  test('[REL-14] whichever store is lost, and whenever, no unsent entry is', async () => {
    let seed = 4711;
    const draw = (below: number) => {
      seed = (seed * 1_103_515_245 + 12_345) % 2 ** 31;
      return Math.floor((seed / 2 ** 31) * below);
    };
    for (let round = 0; round < 25; round++) {
      let now = await again(await openMemoryDisk(), new MemorySecondCopy());
      now.store.becomeDevice(OWN, 'ep01');
      await now.keeper.keep();
      let saved = 0;
      for (let act = 0; act < 12; act++) {
        const what = draw(4);
        if (what === 0) {
          const { epoch: current, counter } = now.store.tip();
          now.store.noteHeldByUnit(current, draw(counter + 1));
        } else if (what === 1) now = await again(await openMemoryDisk(), now.copy);
        else if (what === 2) {
          now.copy.wipe();
          now = await again(now.disk.reopen(), now.copy);
        } else {
          const count = 1 + draw(3);
          now.save(count, saved + 1);
          saved += count;
        }
        const unsent = now.store.unsentRecords();
        await now.keeper.keep();
        const lost = await again(await openMemoryDisk(), now.copy);
        expect(lost.store.unsentRecords(), `round ${round}, act ${act}`).toEqual(unsent);
        now = what % 2 === 0 ? lost : now;
      }
    }
  }, 60_000);
});
