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

/** Return the picture files in a folder of the browser's private file system. */
function opfsFilesIn(folderName: string): PictureFiles {
  const openFolder = async () => {
    const root = await navigator.storage.getDirectory();
    return root.getDirectoryHandle(folderName, { create: true });
  };
  return {
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
}

/** The pictures of the records. */
export const opfsPictureFiles = opfsFilesIn('pictures');

const emergencyFiles = opfsFilesIn('emergency-pictures');

/** Return where the pictures of one emergency file lie: never among those of the records. */
export const emergencyPictures = (number: number) => picturesUnder(emergencyFiles, `${number}-`);

/**
 * Return the files whose names begin with a prefix, under what follows it. What tidies them sees
 * no others.
 */
export function picturesUnder(files: PictureFiles, prefix: string): PictureFiles {
  return {
    keep: (sha256, bytes) => files.keep(prefix + sha256, bytes),
    read: (sha256) => files.read(prefix + sha256),
    names: async () =>
      (await files.names()).flatMap((name) =>
        name.startsWith(prefix) ? [name.slice(prefix.length)] : [],
      ),
    remove: (sha256) => files.remove(prefix + sha256),
  };
}
