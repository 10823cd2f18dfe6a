/** The file in which a tablet keeps its data key sealed for its unit, away from the key ring. */

export interface ShareShelf {
  read(): Promise<string | null>;
  /** Resolves once the text is on the disk. */
  write(text: string): Promise<void>;
  remove(): Promise<void>;
}

const FOLDER = 'crura-share';
const FILE = 'share';

/** In the browser's private file system; only the worker of the window that writes calls it. */
export const opfsShare: ShareShelf = {
  async read() {
    try {
      const file = await (await (await openFolder()).getFileHandle(FILE)).getFile();
      return await file.text();
    } catch (error) {
      if (isMissing(error)) return null;
      throw error;
    }
  },

  async write(text) {
    const file = await (await openFolder()).getFileHandle(FILE, { create: true });
    const handle = await file.createSyncAccessHandle();
    try {
      handle.truncate(0);
      handle.write(new TextEncoder().encode(text), { at: 0 });
      handle.flush();
    } finally {
      handle.close();
    }
  },

  async remove() {
    try {
      await (await openFolder()).removeEntry(FILE);
    } catch (error) {
      if (!isMissing(error)) throw error;
    }
  },
};

async function openFolder(): Promise<FileSystemDirectoryHandle> {
  const root = await navigator.storage.getDirectory();
  return root.getDirectoryHandle(FOLDER, { create: true });
}

function isMissing(error: unknown): boolean {
  return error instanceof DOMException && error.name === 'NotFoundError';
}
