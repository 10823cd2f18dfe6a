/**
 * Bytes of pictures on the tablet: files of the browser's private file system, each named by
 * SHA-256 over its content. Only the worker of the window that writes calls this.
 */
import { tell } from '../told';

/** Where bytes of pictures lie. */
export interface PictureFiles {
  /** Write a picture under its hash; resolves once it is closed and on the disk. */
  keep(sha256: string, bytes: Uint8Array<ArrayBuffer>): Promise<void>;
  /** The bytes under a hash as they lie there, null where there are none. */
  read(sha256: string): Promise<Uint8Array<ArrayBuffer> | null>;
  names(): Promise<string[]>;
  remove(sha256: string): Promise<void>;
}

const FOLDER = 'pictures';

export const opfsPictureFiles: PictureFiles = {
  async keep(sha256, bytes) {
    const folder = await openFolder();
    const file = await folder.getFileHandle(sha256, { create: true });
    const handle = await file.createSyncAccessHandle();
    let isWhole = false;
    try {
      handle.truncate(0);
      // A disk without room throws, or writes less than it was given.
      isWhole = handle.write(bytes, { at: 0 }) === bytes.length;
      handle.flush();
    } finally {
      handle.close();
      if (!isWhole) await folder.removeEntry(sha256);
    }
    if (!isWhole) throw new Error(tell('noRoom'));
  },

  async read(sha256) {
    try {
      const file = await (await (await openFolder()).getFileHandle(sha256)).getFile();
      return new Uint8Array(await file.arrayBuffer());
    } catch (error) {
      if (error instanceof DOMException && error.name === 'NotFoundError') return null;
      throw error;
    }
  },

  async names() {
    const found: string[] = [];
    for await (const name of (await openFolder()).keys()) found.push(name);
    return found;
  },

  async remove(sha256) {
    await (await openFolder()).removeEntry(sha256);
  },
};

async function openFolder(): Promise<FileSystemDirectoryHandle> {
  const root = await navigator.storage.getDirectory();
  return root.getDirectoryHandle(FOLDER, { create: true });
}
