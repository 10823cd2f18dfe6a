/** Pictures lie encrypted, each under its own name; a plain one is replaced and never lost. */
import { expect, test } from 'vitest';
import { cipherFor } from './data-key';
import { MemoryPictureFiles } from './memory-picture-files';
import { protectPictures, replacePlainPictures } from './protected-pictures';

const KEY = new Uint8Array(32).fill(7);
const HASH = 'a'.repeat(64);
const OTHER_HASH = 'b'.repeat(64);
const PICTURE = new TextEncoder().encode('\u00ff\u00d8 Zacharias Planted on a monitor');
const random = (bytes: number) => crypto.getRandomValues(new Uint8Array(bytes));

async function shelf(key = KEY) {
  const files = new MemoryPictureFiles();
  const cipher = await cipherFor(key, 'pictures', random);
  return { files, pictures: protectPictures(files, cipher) };
}

const text = (bytes: Uint8Array | null | undefined) =>
  new TextDecoder('latin1').decode(bytes ?? new Uint8Array());

/** [SEC-12] The planted bug it has caught: bytes handed on as they came. */
test('nothing of a picture lies in clear, and it is read back as it was', async () => {
  const { files, pictures } = await shelf();

  await pictures.keep(HASH, PICTURE);

  expect(files.files.size).toBe(1);
  for (const bytes of files.files.values()) expect(text(bytes)).not.toContain('Planted');
  expect(await pictures.read(HASH)).toEqual(PICTURE);
  expect(await pictures.names()).toEqual([HASH]);
  await pictures.remove(HASH);
  expect(files.files.size).toBe(0);
});

test('under another key, or put under another name, there is no picture', async () => {
  const { files, pictures } = await shelf();
  await pictures.keep(HASH, PICTURE);
  const [[name, bytes] = ['', new Uint8Array()]] = files.files;
  files.files.set(name.replaceAll('a', 'b'), bytes);
  const other = protectPictures(
    files,
    await cipherFor(
      KEY.map(() => 9),
      'pictures',
      random,
    ),
  );

  expect(await pictures.read(OTHER_HASH)).toBeNull();
  expect(await other.read(HASH)).toBeNull();
});

test('a plain picture of an earlier version is replaced once it lies encrypted', async () => {
  const { files, pictures } = await shelf();
  files.files.set(HASH, PICTURE);
  files.isFull = true;
  await expect(replacePlainPictures(files, pictures)).rejects.toThrow('no room');
  expect(files.files.get(HASH)).toEqual(PICTURE);

  files.isFull = false;
  await replacePlainPictures(files, pictures);

  expect([...files.files.keys()]).toEqual([`${HASH}.closed`]);
  expect(await pictures.read(HASH)).toEqual(PICTURE);
});

/** [SEC-12] The planted bug it has caught: a plain picture that stayed for ever. */
test('a plain picture whose encrypted one lies beside it already goes at the next start', async () => {
  const { files, pictures } = await shelf();
  await pictures.keep(HASH, PICTURE);
  files.files.set(HASH, PICTURE);

  await replacePlainPictures(files, pictures);

  expect([...files.files.keys()]).toEqual([`${HASH}.closed`]);
});

test('a plain picture stays as long as the encrypted one does not open', async () => {
  const { files, pictures } = await shelf();
  files.files.set(`${HASH}.closed`, PICTURE);
  files.files.set(HASH, PICTURE);
  files.isFull = true;

  await expect(replacePlainPictures(files, pictures)).rejects.toThrow('no room');

  expect(files.files.get(HASH)).toEqual(PICTURE);
});
