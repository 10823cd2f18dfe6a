/** Records behind their key: locked, open, an emergency case alone, and what a wipe leaves. */
import { beforeEach, expect, test } from 'vitest';
import { makeReturnPair } from '../network/sealing';
import { MemoryCopyShelf } from './memory-copy-shelf';
import { MemoryTabletDisk, patientsOf as patients, savePatient } from './memory-tablet';
import type { OpenedRecords } from './opened-records';
import { readShare } from './recovery-share';
import { TabletRecords } from './tablet-records';

const PIN = '294618';
const PERSON = { staff: 'staff/s-1', name: 'A Person', role: 'endoscopist' };
const NAME = 'Zacharias Planted';

let disk: MemoryTabletDisk;
let serverKey: string;

beforeEach(async () => {
  disk = new MemoryTabletDisk();
  serverKey = (await makeReturnPair()).publicKey;
});

/** One start of the app on what the disk holds. */
async function start() {
  const parts = await disk.start();
  return { ring: parts.ring, keys: parts.keys, records: new TabletRecords(parts) };
}

const save = (records: OpenedRecords, id: string) => savePatient(records, id, NAME);

type Start = Awaited<ReturnType<typeof start>>;

async function opened({ records }: Start): Promise<OpenedRecords> {
  const opening = await records.open();
  if (opening.kind !== 'open') throw new Error('locked');
  return opening.records;
}

/** A tablet that has joined, with one person and two patients. */
async function begin(): Promise<Start> {
  const first = await start();
  const records = await opened(first);
  records.store.becomeDevice(
    {
      device: 'tablet-a',
      role: 'bedside',
      token: 'token-a',
      unitName: 'Unit',
      streams: ['care'],
      serverKey,
    },
    'epoch0',
  );
  await first.records.noteDevice(records);
  await first.keys.addPerson(PERSON, PIN, null);
  await save(records, 'p-1');
  await save(records, 'p-2');
  return first;
}

test('[SEC-10] [SEC-12] after the first PIN a start is locked, and the PIN opens it', async () => {
  await begin();
  const next = await start();

  expect(await next.records.open()).toEqual({ kind: 'locked', areKeysLost: false });
  expect((await next.keys.unlock(PERSON.staff, '111112')).kind).toBe('wrong');
  expect((await next.records.open()).kind).toBe('locked');
  await next.keys.unlock(PERSON.staff, PIN);

  expect(patients(await opened(next))).toEqual(['patient/p-1', 'patient/p-2']);
});

test('IndexedDB wiped: the PIN opens everything, and the copy is made anew', async () => {
  await begin();
  await disk.ring.indexed.wipe();
  disk.copy = new MemoryCopyShelf();
  const next = await start();
  await next.keys.unlock(PERSON.staff, PIN);

  const records = await opened(next);
  await records.keeper.keep();

  expect(patients(records)).toHaveLength(2);
  expect(disk.copy.entries).toHaveLength(2);
});

test('the private files wiped: the PIN opens the copy, and nothing unsent is lost', async () => {
  await begin();
  await disk.ring.files.wipe();
  disk.files = new Map();
  const next = await start();
  await next.keys.unlock(PERSON.staff, PIN);

  expect(patients(await opened(next))).toHaveLength(2);
});

test('[SEC-12] every key gone: nothing is begun over it, and the key from the unit opens', async () => {
  const { keys } = await begin();
  const dataKey = keys.dataKey as Uint8Array;
  await Promise.all([disk.ring.files.wipe(), disk.ring.indexed.wipe()]);
  const next = await start();
  expect(await next.records.open()).toEqual({ kind: 'locked', areKeysLost: true });
  expect((await readShare(disk.share))?.own.device).toBe('tablet-a');

  await next.ring.firstKey(dataKey);

  expect(patients(await opened(next))).toHaveLength(2);
});

/** The planted bug it has caught: a new key made where the copy alone still held entries. */
test('every key and the file gone, unsent entries in the copy: it is told, not begun anew', async () => {
  await begin();
  await Promise.all([disk.ring.files.wipe(), disk.ring.indexed.wipe()]);
  disk.files = new Map();

  expect(await (await start()).records.open()).toEqual({ kind: 'locked', areKeysLost: true });
});

test('an emergency case reads nothing old, survives a kill, and goes into the log', async () => {
  await begin();
  const next = await start();
  await next.records.open();
  const emergency = await next.records.startEmergency();
  if (emergency.kind !== 'open') throw new Error('locked');
  expect(emergency.isEmergency).toBe(true);
  expect(patients(emergency.records)).toEqual([]);
  expect(emergency.records.store.ownDevice()).toMatchObject({ device: 'tablet-a', token: null });
  await save(emergency.records, 'e-1');

  // Killed: the emergency case alone is there again.
  const again = await start();
  const reopened = await again.records.open();
  expect(reopened).toMatchObject({ kind: 'open', isEmergency: true });
  if (reopened.kind !== 'open') return;
  expect(patients(reopened.records)).toEqual(['patient/e-1']);
  await save(reopened.records, 'e-2');

  // Unlocked while it is open: everything in one log, each entry under its own epoch.
  await again.keys.unlock(PERSON.staff, PIN);
  const records = await opened(again);
  expect(patients(records)).toEqual(['patient/e-1', 'patient/e-2', 'patient/p-1', 'patient/p-2']);
  expect(records.store.unsent().count).toBe(4);
  expect(again.ring.standing().hasEmergency).toBe(false);

  // The next start removes what was taken in; a repeat puts nothing in twice.
  const last = await start();
  await last.keys.unlock(PERSON.staff, PIN);
  expect((await opened(last)).store.unsent().count).toBe(4);
  expect([...disk.files.keys()].filter((name) => name.startsWith('/emergency'))).toEqual([]);
  expect(last.ring.emergencyNumbers()).toEqual([]);
});

/** [SEC-12] The planted bug it has caught: a lock that left the emergency key where it lay. */
test('a locked tablet with its emergency case closed holds no word in clear', async () => {
  await begin();
  const next = await start();
  await next.records.open();
  const emergency = await next.records.startEmergency();
  if (emergency.kind === 'open') await save(emergency.records, 'e-1');
  await next.keys.lock();
  const locked = await start();

  expect(await locked.records.open()).toEqual({ kind: 'locked', areKeysLost: false });
  const lies = disk.text();
  expect(lies.length).toBeGreaterThan(10_000);
  expect(lies).not.toContain(NAME);
  expect(lies).not.toContain('patient/');
  expect(await locked.records.copies()).toHaveLength(2);
});

test('[SEC-15] a wipe leaves nothing, and the next start is that of a new tablet', async () => {
  const first = await begin();
  await first.records.wipe();

  expect(disk.files.size).toBe(0);
  expect([disk.copy.head, disk.copy.entries, disk.copy.trace]).toEqual([null, [], null]);
  expect(disk.share.text).toBeNull();
  const next = await start();
  expect((await opened(next)).store.ownDevice()).toBeNull();
  expect(next.ring.standing().people).toEqual([]);
});
