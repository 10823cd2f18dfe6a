/**
 * The two homes of the key ring: a pair of files of the browser's private file system, and
 * IndexedDB. A browser that was killed may throw all of IndexedDB away; the files then suffice.
 */
import { finished, openIndexed } from '../device/indexed-store';
import { tell } from '../told';

/** One home: two places, written in turn, so that one of them is always whole. */
export interface RingShelf {
  /** What lies at the places, whole or cut off; nothing where there is none. */
  read(): Promise<Uint8Array[]>;
  /** Overwrite a place; resolves once it is on the disk. */
  write(place: 0 | 1, content: Uint8Array<ArrayBuffer>): Promise<void>;
  wipe(): Promise<void>;
}

export interface RingShelves {
  files: RingShelf;
  indexed: RingShelf;
}

const NAME = 'crura-ring';
const FILES = ['one', 'two'] as const;

/** Overwritten where they lie, so that a key that was taken away does not stay in an older copy. */
const files: RingShelf = {
  async read() {
    const folder = await openFolder();
    const found: Uint8Array[] = [];
    for (const name of FILES) {
      try {
        const file = await (await folder.getFileHandle(name)).getFile();
        found.push(new Uint8Array(await file.arrayBuffer()));
      } catch (error) {
        if (!(error instanceof DOMException && error.name === 'NotFoundError')) throw error;
      }
    }
    return found;
  },

  async write(place, content) {
    const file = await (await openFolder()).getFileHandle(FILES[place], { create: true });
    const handle = await file.createSyncAccessHandle();
    try {
      const before = handle.getSize();
      // The rest of a longer copy is blotted out before it is let go of.
      const whole = new Uint8Array(Math.max(before, content.length)).fill(0x0a);
      whole.set(content);
      if (handle.write(whole, { at: 0 }) !== whole.length) throw new Error(tell('ringFull'));
      handle.flush();
    } finally {
      handle.close();
    }
  },

  async wipe() {
    const folder = await openFolder();
    for (const name of FILES) {
      try {
        await folder.removeEntry(name);
      } catch (error) {
        if (!(error instanceof DOMException && error.name === 'NotFoundError')) throw error;
      }
    }
  },
};

async function openFolder(): Promise<FileSystemDirectoryHandle> {
  const root = await navigator.storage.getDirectory();
  return root.getDirectoryHandle(NAME, { create: true });
}

const STORE = 'ring';

const indexed: RingShelf = {
  async read() {
    const database = await openDatabase();
    try {
      const transaction = database.transaction(STORE);
      const request = transaction.objectStore(STORE).getAll();
      await finished(transaction);
      return request.result as Uint8Array[];
    } finally {
      database.close();
    }
  },

  write: (place, content) => change((store) => store.put(content, place)),
  wipe: () => change((store) => store.clear()),
};

async function change(work: (store: IDBObjectStore) => void): Promise<void> {
  const database = await openDatabase();
  try {
    const transaction = database.transaction(STORE, 'readwrite', { durability: 'strict' });
    work(transaction.objectStore(STORE));
    await finished(transaction);
  } finally {
    database.close();
  }
}

function openDatabase(): Promise<IDBDatabase> {
  return openIndexed(NAME, 1, (database) => database.createObjectStore(STORE));
}

/** The homes of this browser; only the worker of the window that writes opens them. */
export const browserShelves: RingShelves = { files, indexed };
