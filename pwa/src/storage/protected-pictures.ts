/** Pictures encrypted before they reach the disk; each is bound to the hash it lies under. */
import type { Cipher } from './data-key';
import type { PictureFiles } from './picture-files';

/** Ends the name of a file that is encrypted; an earlier version of the app wrote plain ones. */
const CLOSED = '.closed';

/**
 * Return picture files whose bytes only the data key opens [SEC-12].
 *
 * A plain file is replaced when it is read: it goes once its content lies encrypted beside it.
 */
export function protectPictures(files: PictureFiles, cipher: Cipher): PictureFiles {
  const keep = async (sha256: string, bytes: Uint8Array<ArrayBuffer>) => {
    await files.keep(sha256 + CLOSED, await cipher.close(sha256, bytes));
  };
  const names = async () => [
    ...new Set((await files.names()).map((name) => name.replace(CLOSED, ''))),
  ];
  const read = async (sha256: string) => {
    const closed = await files.read(sha256 + CLOSED);
    const opened = closed === null ? null : await cipher.open(sha256, closed);
    if (opened !== null) return opened;
    const plain = await files.read(sha256);
    if (plain === null) return null;
    await keep(sha256, plain);
    await files.remove(sha256);
    return plain;
  };
  return {
    keep,
    read,
    names,
    async remove(sha256) {
      const held = await files.names();
      for (const name of [sha256, sha256 + CLOSED]) {
        if (held.includes(name)) await files.remove(name);
      }
    },
  };
}

/** Replace every picture that an earlier version of the app wrote plain. */
export async function replacePlainPictures(
  files: PictureFiles,
  protectedFiles: PictureFiles,
): Promise<void> {
  for (const name of await files.names()) {
    if (name.endsWith(CLOSED) || (await protectedFiles.read(name)) === null) continue;
    // Cut off before it was removed, it lies here beside the one that opened.
    if ((await files.names()).includes(name)) await files.remove(name);
  }
}
