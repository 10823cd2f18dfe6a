/** two_tabs_one_counter: one window writes, others read through it, the next takes over. */
import { beforeEach, expect, test } from 'vitest';
import { MemoryUnit } from '../network/memory-unit';
import { UnitRequests } from '../network/unit-requests';
import type { Draft, ExchangeStanding } from '../ports';
import { packagedCatalogue } from '../record-catalogue/packaged-catalogue';
import { sayTold } from '../text/told';
import { tell } from '../told';
import { type MemoryDisk, openMemoryDisk } from './memory-database';
import { MemorySecondCopy } from './memory-second-copy';
import { OperationStore } from './operation-store';
import { SecondCopyKeeper } from './second-copy-keeper';
import { StoreService } from './store-service';
import {
  type ReaderKeys,
  ReadingWindow,
  type WindowChannel,
  type WindowMessage,
  WritingWindow,
} from './store-windows';

const WHO = { by: 'staff/s-1', tappedBy: 'staff/s-1' };
const draft = (place: number): Draft => ({
  draftId: `d-${place}`,
  record: `puncture/p-${place}`,
  set: { stop_um: place },
});

/** What one window posts, all others hear, as structured copies and never at once. */
class Hall {
  readonly #windows = new Set<(message: WindowMessage) => void>();

  door(): WindowChannel & { leave(): void } {
    const listeners = new Set<(message: WindowMessage) => void>();
    const hear = (message: WindowMessage) => {
      for (const listener of listeners) listener(message);
    };
    this.#windows.add(hear);
    return {
      post: (message) => {
        const copy = structuredClone(message);
        for (const other of this.#windows) if (other !== hear) queueMicrotask(() => other(copy));
      },
      hear: (listener) => listeners.add(listener),
      leave: () => {
        this.#windows.delete(hear);
      },
    };
  }
}

const STANDING = {
  people: [{ staff: 'staff/s-1', name: 'Anna Alder', role: '', triesLeft: 10, waitUntilMs: 0 }],
  isOpen: false,
  hasLive: false,
  hasEmergency: false,
};

let hall: Hall;
let windows = 0;
let disk: MemoryDisk;
let unit: MemoryUnit;
let copy: MemorySecondCopy;
const noTimers = () => () => {};
const settled = () => new Promise((resolve) => setTimeout(resolve));

/** The window that has the lock. */
async function writeOn(from: MemoryDisk) {
  const door = hall.door();
  const store = new OperationStore(from.database, packagedCatalogue());
  let epochs = 0;
  const around = { nowMs: () => 1_000, newEpoch: () => `ep0${++epochs}` };
  const keeper = new SecondCopyKeeper(from.database, store, copy, around);
  const now: (() => void)[] = [];
  const service = new StoreService(store, keeper, new UnitRequests(unit.fetch), {
    ...around,
    newSalt: () => '0'.repeat(32),
    newDeviceId: () => 'tablet-n',
    chance: () => 1,
    later: (waitMs, work) => {
      if (waitMs === 0) now.push(work);
      return () => {};
    },
    onRecords: (records) => door.post({ records }),
    onExchange: (exchange) => door.post({ exchange }),
  });
  await service.start();
  const tried: (readonly unknown[])[] = [];
  const keys: ReaderKeys = {
    carryOut: async (call, given) => {
      if (call === 'keyStanding') return STANDING;
      tried.push(given);
      return { kind: given[1] === '407182' ? 'right' : 'wrong' };
    },
  };
  const window = new WritingWindow(service, door, keys);
  const ring = () => {
    for (const work of now.splice(0)) work();
  };
  return { store, service, window, door, ring, tried };
}

function readOn() {
  const door = hall.door();
  const records: string[][] = [];
  const standings: ExchangeStanding[] = [];
  const locked: true[] = [];
  const id = `window-${++windows}`;
  const window = new ReadingWindow(door, {
    newId: () => id,
    later: noTimers,
    onRecords: (named) => records.push(named),
    onExchange: (standing) => standings.push(standing),
    onLocked: () => locked.push(true),
  });
  return { window, door, records, standings, locked };
}

beforeEach(async () => {
  hall = new Hall();
  disk = await openMemoryDisk();
  unit = new MemoryUnit();
  copy = new MemorySecondCopy();
});

test('a second window finds the one that writes, and reads what it holds', async () => {
  const first = await writeOn(disk);
  first.service.startAlone('bedside');
  first.window.carryOut('save', [[draft(1)], WHO]);
  first.window.carryOut('remember', ['place', '#/case/abc/close-out']);
  const second = readOn();

  const notice = await second.window.seek(1_000);

  expect(notice?.standing?.device).toBe('tablet-n');
  const read = await second.window.carryOut('read', [{ kind: 'puncture' }]);
  expect(read).toEqual(first.service.read({ kind: 'puncture' }));
  expect(sayTold(second.standings.at(-1)?.sentence ?? '')).toBe(
    'This window only reads. Entries are made in another window of this tablet, at Close-out; close that one to write here.',
  );
});

test('what the first saves the second hears', async () => {
  const first = await writeOn(disk);
  first.service.startAlone('bedside');
  const second = readOn();
  await second.window.seek(1_000);
  first.window.carryOut('save', [[draft(1)], WHO]);
  first.ring();
  await settled();

  expect(second.records.flat()).toContain('puncture/p-1');
  expect(second.standings.at(-1)).toMatchObject({ unsent: 1 });
});

/** The planted bug it has caught: `save` among the calls that a reading window forwards. */
test('[HAZ-14] two_tabs_one_counter: a reading window records nothing, whatever it asks', async () => {
  const first = await writeOn(disk);
  first.service.startAlone('bedside');
  first.window.carryOut('remember', ['place', '#/cases']);
  const second = readOn();
  await second.window.seek(1_000);

  const saved = await second.window.carryOut('save', [[draft(1)], WHO]);
  second.window.carryOut('remember', ['place', '#/clinic']);

  expect(saved).toMatchObject({ kind: 'not-saved' });
  expect(sayTold((saved as { sentence: string }).sentence)).toMatch(
    /^NOT SAVED\. This window only reads/,
  );
  expect(await second.window.carryOut('join', ['GOOD'])).toMatchObject({ kind: 'refused' });
  expect(await second.window.carryOut('recall', ['place'])).toBe('#/clinic');
  expect(first.service.recall('place')).toBe('#/cases');
  // A window of another version that asks for it all the same is refused by the one that writes.
  const heard: WindowMessage[] = [];
  const other = hall.door();
  other.hear((message) => heard.push(message));
  other.post({ ask: 'other-1', call: 'save', given: [[draft(2)], WHO] });
  await settled();
  expect(heard).toContainEqual({
    to: 'other-1',
    failure: tell('onlyWriter'),
  });
  expect(first.store.tip().counter).toBe(0);
});

test('a refused call comes back as the sentence it was refused with', async () => {
  const first = await writeOn(disk);
  first.service.startAlone('bedside');
  first.service.history = () => {
    throw new Error('The disk cannot be read.');
  };
  const second = readOn();
  await second.window.seek(1_000);

  await expect(second.window.carryOut('history', ['puncture/p-1'])).rejects.toThrow(
    'The disk cannot be read.',
  );
});

test('two_tabs_one_counter: the next window goes on with the log and sends what waits', async () => {
  const first = await writeOn(disk);
  await first.service.join('GOOD');
  const epoch = first.store.tip().epoch;
  unit.troubles = ['lose-request', 'lose-request'];
  for (const place of [1, 2, 3]) first.window.carryOut('save', [[draft(place)], WHO]);
  await settled();
  const second = readOn();
  await second.window.seek(1_000);
  // Asked of a window that dies before it answers.
  first.door.leave();
  const asked = second.window.carryOut('read', [{ kind: 'puncture' }]) as Promise<unknown[]>;
  await settled();

  unit.troubles = [];
  const next = await writeOn(disk.reopen());
  second.window.handOver(next.window);

  expect(await asked).toHaveLength(3);
  next.window.carryOut('save', [[draft(4)], WHO]);
  expect(next.store.tip()).toMatchObject({ epoch, counter: 4 });
  await next.service.exchangeNow();
  const counters = unit.received.map((one) => one.operation.counter);
  expect(counters).toEqual([1, 2, 3, 4]);
});

test('a third window asks the new one for what the dead one owed', async () => {
  const first = await writeOn(disk);
  first.service.startAlone('bedside');
  first.window.carryOut('save', [[draft(1)], WHO]);
  const third = readOn();
  await third.window.seek(1_000);
  first.door.leave();
  const asked = third.window.carryOut('read', [{ kind: 'puncture' }]);
  await settled();

  await writeOn(disk.reopen());

  expect(await asked).toHaveLength(1);
});

test('[SEC-10] a window that only reads hears that the one that writes was locked', async () => {
  const first = await writeOn(disk);
  first.service.startAlone('bedside');
  const second = readOn();
  await second.window.seek(1_000);
  expect(second.locked).toEqual([]);

  first.door.post({ locks: true });
  await settled();

  expect(second.locked).toEqual([true]);
});

/** The planted bug it has caught: the data key told to every window with the writer's notice. */
test('[SEC-10] a window that only reads hears who has a PIN, and never the key', async () => {
  const heard: WindowMessage[] = [];
  hall.door().hear((message) => heard.push(message));
  const first = await writeOn(disk);
  first.service.startAlone('bedside');
  const second = readOn();
  const notice = await second.window.seek(1_000);

  expect(await second.window.askKeys('keyStanding', [])).toEqual(STANDING);
  expect(Object.keys(notice ?? {}).sort()).toEqual(['exchange', 'place', 'standing']);
  expect(JSON.stringify(heard)).not.toContain('key"');
});

/** The planted bug it has caught: a PIN asked again with each notice, as readings are. */
test('[SEC-13] a PIN entered in a window that only reads is tried by the other one, once', async () => {
  const first = await writeOn(disk);
  first.service.startAlone('bedside');
  const second = readOn();
  await second.window.seek(1_000);

  const wrong = second.window.askKeys('checkPin', ['staff/s-1', '000001']);
  first.window.announce();
  expect(await wrong).toEqual({ kind: 'wrong' });
  expect(await second.window.askKeys('checkPin', ['staff/s-1', '407182'])).toEqual({
    kind: 'right',
  });
  await settled();
  expect(first.tried).toHaveLength(2);

  // Whoever takes over does not try what the dead one was asked.
  first.door.leave();
  const asked = second.window.askKeys('checkPin', ['staff/s-1', '407182']);
  const next = await writeOn(disk.reopen());
  second.window.handOver(next.window);
  await expect(asked).rejects.toThrow('told:windowSilent');
  expect(next.tried).toEqual([]);
});
