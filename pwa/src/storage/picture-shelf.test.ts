import { createHash } from 'node:crypto';
import { beforeEach, expect, test } from 'vitest';
import { packagedCatalogue } from '../record-catalogue/packaged-catalogue';
import { sayTold } from '../text/told';
import { type MemoryDisk, openMemoryDisk } from './memory-database';
import { MemoryPictureFiles } from './memory-picture-files';
import { OperationStore } from './operation-store';
import { MAX_PICTURE_BYTES, PictureShelf } from './picture-shelf';

const PNG = [0x89, 0x50, 0x4e, 0x47, 0x0d, 0x0a, 0x1a, 0x0a];
const hashOf = (bytes: Uint8Array) => createHash('sha256').update(bytes).digest('hex');
function picture(size: number, start: readonly number[] = PNG): Uint8Array<ArrayBuffer> {
  const bytes = new Uint8Array(size).fill(5);
  bytes.set(start);
  return bytes;
}

let disk: MemoryDisk;
let store: OperationStore;
let files: MemoryPictureFiles;
let shelf: PictureShelf;
beforeEach(async () => {
  disk = await openMemoryDisk();
  store = new OperationStore(disk.database, packagedCatalogue());
  store.becomeDevice(
    { device: 'tablet-a', role: 'bedside', token: null, unitName: '', streams: ['care'] },
    'epoch1',
  );
  files = new MemoryPictureFiles();
  shelf = new PictureShelf(store, files);
});

function save(record: string, bytes: Uint8Array): void {
  const file = { sha256: hashOf(bytes), bytes: bytes.length, media_type: 'image/png' };
  store.save(
    [{ draftId: record, record, set: { case: 'case/c-1', file } }],
    { by: 'staff/s-1', tappedBy: 'staff/s-1' },
    { wallMs: 1_000, newSalt: () => '0'.repeat(32) },
  );
}

test('what is kept is there after a restart, under its hash, and known as unsent', async () => {
  const bytes = picture(100);
  const kept = await shelf.keep('picture/p-1', bytes);
  expect(kept).toEqual({ kind: 'kept', sha256: hashOf(bytes), mediaType: 'image/png' });

  const again = new OperationStore(disk.reopen().database, packagedCatalogue());
  const later = new PictureShelf(again, files);
  expect(await later.read(hashOf(bytes))).toEqual({ bytes, isUnsent: true });
  later.noteSent(hashOf(bytes));
  expect(await later.read(hashOf(bytes))).toEqual({ bytes, isUnsent: false });
});

test('[REL-10] a full disk gives NOT SAVED and leaves nothing that would be sent', async () => {
  files.isFull = true;

  const answer = await shelf.keep('picture/p-1', picture(100));

  expect(answer.kind === 'not-saved' && sayTold(answer.sentence)).toMatch(
    /^NOT SAVED\. .*Free some space, then press again\.$/,
  );
  expect(shelf.unsent()).toEqual({});
});

test.each([
  ['a GIF', picture(100, [0x47, 0x49, 0x46]), /^NOT SAVED\. This is no JPEG or PNG/],
  ['nothing', new Uint8Array(), /^NOT SAVED\. This is no JPEG or PNG/],
  ['8 MiB and one byte', picture(MAX_PICTURE_BYTES + 1), /^NOT SAVED\. The picture is over 8 MiB/],
])('%s is refused with a sentence', async (_, bytes, sentence) => {
  const answer = await shelf.keep('picture/p-1', bytes);

  expect(answer.kind === 'not-saved' && sayTold(answer.sentence)).toMatch(sentence);
  expect(files.files.size).toBe(0);
});

test('a picture of exactly 8 MiB is kept', async () => {
  expect((await shelf.keep('picture/p-1', picture(MAX_PICTURE_BYTES))).kind).toBe('kept');
});

test('bytes that a crash has cut off count as not there', async () => {
  const bytes = picture(100);
  await shelf.keep('picture/p-1', bytes);
  files.files.set(hashOf(bytes), bytes.slice(0, 60));

  expect((await shelf.read(hashOf(bytes))).bytes).toBeNull();
});

test.each(['../../../etc/passwd', '__proto__', 'constructor', `${'a'.repeat(64)}/`, ''])(
  'a record that names its picture %j names no file, and none is asked for',
  async (name) => {
    // Caught: the file system refused the name, and no picture of the case was shown any more.
    files.read = async () => {
      throw new TypeError('Name is not allowed.');
    };

    expect(await shelf.read(name)).toEqual({ bytes: null, isUnsent: false });
  },
);

test('leftovers go; what a record names, or the unit lacks, stays', async () => {
  // Planted bug that this caught: what the unit lacks removed once its record was struck.
  const [named, unsent, left] = [picture(100), picture(101), picture(102)];
  for (const bytes of [named, unsent, left]) await shelf.keep('picture/p', bytes);
  save('picture/p-1', named);
  shelf.noteSent(hashOf(named));
  shelf.noteSent(hashOf(left));

  await shelf.tidy();

  expect(new Set(await files.names())).toEqual(new Set([hashOf(named), hashOf(unsent)]));
});

test('only standing records name pictures, and those of one case are told apart', async () => {
  const bytes = picture(100);
  save('picture/p-1', bytes);

  expect(shelf.named()).toEqual([
    { record: 'picture/p-1', sha256: hashOf(bytes), bytes: bytes.length },
  ]);
  expect(shelf.named('case/c-1')).toHaveLength(1);
  expect(shelf.named('case/c-2')).toEqual([]);
});

test('a picture entered in error goes at the next start, sent or not; another record keeps it', async () => {
  // Planted bug that this caught: one that was never sent stayed for good.
  const [first, second] = [picture(100), picture(200)];
  for (const [record, bytes] of [
    ['picture/p-1', first],
    ['picture/p-2', second],
    ['picture/p-3', second],
  ] as const) {
    await shelf.keep(record, bytes);
    save(record, bytes);
  }
  const strike = (record: string) => {
    const retract = store.history(record).map((entry) => entry.reference);
    store.save(
      [{ draftId: `strike ${record}`, record, retract, because: 'Another patient’s picture' }],
      { by: 'staff/s-1', tappedBy: 'staff/s-1' },
      { wallMs: 2_000, newSalt: () => '0'.repeat(32) },
    );
  };
  await shelf.tidy();
  expect(await files.names()).toHaveLength(2);

  strike('picture/p-1');
  strike('picture/p-3');
  await shelf.tidy();

  expect(await files.names()).toEqual([hashOf(second)]);
  expect(shelf.named().map(({ record }) => record)).toEqual(['picture/p-2']);
  expect(shelf.unsent()).toEqual({ [hashOf(second)]: 'picture/p-2' });
});
