/** Records behind their key: locked, open, an emergency case alone, and what a wipe leaves. */
import { beforeEach, expect, test } from 'vitest';
import { makeReturnPair } from '../network/sealing';
import { packagedCatalogue } from '../record-catalogue/packaged-catalogue';
import { readTold } from '../told';
import { MemoryCopyShelf } from './memory-copy-shelf';
import { openMemoryPool } from './memory-pool';
import { MemoryTabletDisk, patientsOf as patients, savePatient } from './memory-tablet';
import type { OpenedRecords } from './opened-records';
import { OperationStore } from './operation-store';
import { PictureShelf } from './picture-shelf';
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

/** Caught: a share of a key that was here before, taken for the way back to this one. */
test('[SEC-13] a share counts where this key ring sealed it, and is sealed anew where not', async () => {
  await begin();
  const triesLeft = async () => {
    const next = await start();
    return [next, next.ring.standing().people[0]?.triesLeft] as const;
  };
  expect((await triesLeft())[1]).toBe(20);
  const { share: _, ...rest } = JSON.parse(disk.share.text ?? '') as Record<string, unknown>;
  const write = (change: object) => {
    disk.share.text = JSON.stringify({ ...rest, ...change });
  };
  write({ share: 'of another key' });
  const [next, left] = await triesLeft();
  expect(left).toBe(10);
  // The next unlocking makes it good.
  await next.keys.unlock(PERSON.staff, PIN);
  await next.records.noteDevice(await opened(next));
  expect(disk.share.text).not.toContain('of another key');
  expect((await triesLeft())[1]).toBe(20);
  // Nor does one of a device that the unit has not let in yet.
  const kept = JSON.parse(disk.share.text ?? '') as { own: object };
  disk.share.text = JSON.stringify({ ...kept, own: { ...kept.own, waiting: '123456' } });
  expect((await triesLeft())[1]).toBe(10);
  disk.share.text = null;
  expect((await triesLeft())[1]).toBe(10);
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
  reopened.records.store.remember('live-case', 'case/e-1');

  // Unlocked while it is open: everything in one log, each entry under its own epoch.
  await again.keys.unlock(PERSON.staff, PIN);
  const records = await opened(again);
  expect(patients(records)).toEqual(['patient/e-1', 'patient/e-2', 'patient/p-1', 'patient/p-2']);
  expect(records.store.unsent().count).toBe(4);
  // It stays the live case: it does not close by being unlocked (SEC-10).
  expect(records.store.recall('live-case')).toBe('case/e-1');
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

/** An emergency case with one patient, and what of it the next start finds. */
async function leaveEmergency(): Promise<Start> {
  await begin();
  const next = await start();
  await next.records.open();
  const emergency = await next.records.startEmergency();
  if (emergency.kind === 'open') await save(emergency.records, 'e-1');
  return next;
}

function damageEmergency(): void {
  for (const [name, bytes] of disk.files) {
    if (name.startsWith('/emergency')) disk.files.set(name, bytes.slice().fill(9));
  }
  disk.emergencies.set(1, new MemoryCopyShelf());
}

const codeOf = (text: string | undefined) => readTold(text ?? '')?.code;

/** [HAZ-36] The planted bug it has caught: one bad emergency file that shut every record. */
test('emergency records that open no more stay, and the others open all the same', async () => {
  const left = await leaveEmergency();
  const { files } = disk;
  const [sound, copy] = [new Map(files), disk.emergencies.get(1) as MemoryCopyShelf];
  damageEmergency();
  await left.keys.lock();
  const next = await start();
  await next.keys.unlock(PERSON.staff, PIN);

  const records = await opened(next);

  expect(patients(records)).toEqual(['patient/p-1', 'patient/p-2']);
  expect(codeOf(records.store.notice())).toBe('emergencyKept');
  expect(next.ring.emergencyNumbers()).toEqual([1]);

  // Read again by the next start, it goes into the log, and the notice goes.
  records.database.close();
  for (const [name, bytes] of sound) if (name.startsWith('/emergency')) disk.files.set(name, bytes);
  disk.emergencies.set(1, copy);
  const last = await start();
  await last.keys.unlock(PERSON.staff, PIN);
  const again = await opened(last);
  expect(patients(again)).toEqual(['patient/e-1', 'patient/p-1', 'patient/p-2']);
  expect(again.store.notice()).toBe('');
});

test('a copy of an emergency case that cannot be removed keeps nobody from the records', async () => {
  const left = await leaveEmergency();
  await left.keys.lock();
  const copy = disk.emergencies.get(1) as MemoryCopyShelf;
  copy.wipe = () => Promise.reject(new DOMException('it is shut', 'UnknownError'));
  const next = await start();
  await next.keys.unlock(PERSON.staff, PIN);

  const records = await opened(next);

  expect(patients(records)).toEqual(['patient/e-1', 'patient/p-1', 'patient/p-2']);
  expect([records.store.notice(), next.ring.emergencyNumbers()]).toEqual(['', []]);
});

/** [HAZ-36] The planted bug it has caught: no screen for a PIN while the open one could not open. */
test('a started emergency case that opens no more leaves the PINs, and room for another', async () => {
  await leaveEmergency();
  damageEmergency();
  const next = await start();

  const locked = await next.records.open();

  expect(locked).toMatchObject({ kind: 'locked', areKeysLost: false });
  expect(locked.kind === 'locked' && codeOf(locked.trouble)).toBe('emergencyShut');
  const other = await next.records.startEmergency();
  expect(other.kind === 'open' && patients(other.records)).toEqual([]);
  expect(next.ring.emergencyNumbers()).toEqual([1, 2]);
  await next.keys.unlock(PERSON.staff, PIN);
  expect(patients(await opened(next))).toEqual(['patient/p-1', 'patient/p-2']);
});

/** [HAZ-36] The planted bug it has caught: a key that was forgotten when the tablet was locked. */
test('every key gone: a case begins all the same, and goes into the log of the key given back', async () => {
  const { keys } = await begin();
  const dataKey = keys.dataKey as Uint8Array;
  await Promise.all([disk.ring.files.wipe(), disk.ring.indexed.wipe()]);
  const next = await start();
  await next.records.open();
  const emergency = await next.records.startEmergency();
  if (emergency.kind !== 'open') throw new Error('locked');
  await save(emergency.records, 'e-1');
  await next.keys.lock();

  const locked = await start();
  expect(await locked.records.open()).toEqual({ kind: 'locked', areKeysLost: true });
  expect(await locked.records.copies()).toHaveLength(2);
  await locked.ring.firstKey(dataKey);

  expect(patients(await opened(locked))).toEqual(['patient/e-1', 'patient/p-1', 'patient/p-2']);
  expect(locked.ring.emergencyNumbers()).toEqual([]);
  // Sealed for the data key since then, at both places.
  expect(disk.ring.files.text()).not.toMatch(/"loose":\[\{/);
});

/** [SEC-12] The planted bug it has caught: a notice that stayed once there was room. */
test('records that no room was left to encrypt open as they are, and it is told', async () => {
  const pool = await openMemoryPool();
  const plain = pool.openPlain('/crura.db');
  new OperationStore(plain, packagedCatalogue());
  plain.close();
  disk.files = pool.files;

  for (const room of [false, false, true]) {
    disk.hasRoom = (file) => room || !file.startsWith('/crura-2');
    const records = await opened(await start());
    expect(codeOf(records.store.notice())).toBe(room ? undefined : 'stillPlain');
    records.database.close();
  }
  expect([...disk.files.keys()].filter((name) => name.endsWith('.db'))).toEqual(['/crura-2.db']);
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

const JPEG = [0xff, 0xd8, 0xff];
const IN_CLEAR = 'endoscopist sees this';
const picture = (text: string) =>
  new Uint8Array([...JPEG, ...new TextEncoder().encode(text.repeat(20))]);

function shelfOf({ store, pictureFiles }: OpenedRecords): PictureShelf {
  if (pictureFiles === null) throw new Error('no pictures here');
  return new PictureShelf(store, pictureFiles);
}

/** Keep a picture, and save the record that names it. */
async function takePicture(records: OpenedRecords, id: string, text: string): Promise<string> {
  const record = `picture/${id}`;
  const kept = await shelfOf(records).keep(record, picture(text));
  if (kept.kind !== 'kept') throw new Error(kept.sentence);
  const file = { sha256: kept.sha256, bytes: picture(text).length, media_type: kept.mediaType };
  records.store.save(
    [{ draftId: id, record, set: { case: 'case/e-1', file } }],
    { by: 'staff/s-1', tappedBy: 'staff/s-1' },
    { wallMs: 1_000, newSalt: () => '0'.repeat(32) },
  );
  await records.keeper.keep();
  return kept.sha256;
}

async function unlocked(): Promise<OpenedRecords> {
  const next = await start();
  await next.keys.unlock(PERSON.staff, PIN);
  return opened(next);
}

/**
 * [SEC-12] [HAZ-36] The planted bugs it has caught: pictures taken in and not noted as unsent; an
 * emergency case that tidied the pictures of the records away.
 */
test('pictures of an emergency case lie under its key, survive a kill, and go to the records', async () => {
  const before = await opened(await begin());
  const old = await takePicture(before, 'old', 'an older case');
  shelfOf(before).noteSent(old);
  before.database.close();
  const next = await start();
  await next.keys.lock();
  const locked = await start();
  await locked.records.open();
  const emergency = await locked.records.startEmergency();
  if (emergency.kind !== 'open') throw new Error('locked');
  const taken = await takePicture(emergency.records, 'new', IN_CLEAR);
  // Of the records before it neither shows a picture nor takes one away.
  expect(await shelfOf(emergency.records).read(old)).toEqual({ bytes: null, isUnsent: false });
  await shelfOf(emergency.records).tidy();
  expect(disk.text()).not.toContain(IN_CLEAR);

  // Killed, and locked: no key that lies here opens it.
  const again = await start();
  const reopened = await again.records.open();
  if (reopened.kind !== 'open') throw new Error('locked');
  expect((await shelfOf(reopened.records).read(taken)).bytes).toEqual(picture(IN_CLEAR));
  await again.keys.lock();

  const records = await unlocked();
  const shelf = shelfOf(records);
  await shelf.tidy();
  expect(await shelf.read(taken)).toEqual({ bytes: picture(IN_CLEAR), isUnsent: true });
  expect((await shelf.read(old)).bytes).toEqual(picture('an older case'));
  expect(shelf.unsent()).toEqual({ [taken]: 'picture/new' });
  expect(disk.emergencyPictures.files.size).toBe(0);
  expect(disk.text()).not.toContain(IN_CLEAR);
});

/** [HAZ-36] The planted bug it has caught: removed from where they were, with nothing in its place. */
test('a disk without room for its pictures keeps the case in, and tries them again', async () => {
  const left = await leaveEmergency();
  const emergency = await left.records.startEmergency();
  if (emergency.kind !== 'open') throw new Error('locked');
  const taken = await takePicture(emergency.records, 'new', IN_CLEAR);
  await left.keys.lock();
  disk.pictures.isFull = true;

  const records = await unlocked();
  expect(patients(records)).toEqual(['patient/e-1', 'patient/p-1', 'patient/p-2']);
  expect(codeOf(records.store.notice())).toBe('emergencyKept');
  expect((await shelfOf(records).read(taken)).bytes).toBeNull();
  await shelfOf(records).tidy();
  records.database.close();

  disk.pictures.isFull = false;
  const again = await unlocked();
  expect((await shelfOf(again).read(taken)).bytes).toEqual(picture(IN_CLEAR));
  expect(again.store.notice()).toBe('');
  expect(disk.emergencyPictures.files.size).toBe(0);
});

/** The planted bug it has caught: copy and file removed, the pictures left lying. */
test('[SEC-15] what is wiped takes the pictures of an emergency case along', async () => {
  const left = await leaveEmergency();
  const emergency = await left.records.startEmergency();
  if (emergency.kind !== 'open') throw new Error('locked');
  await takePicture(emergency.records, 'new', IN_CLEAR);
  expect(disk.emergencyPictures.files.size).toBe(1);

  emergency.records.database.close();
  await left.records.wipe();

  expect(disk.emergencyPictures.files.size).toBe(0);
});
