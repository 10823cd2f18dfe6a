/** The records of this tablet once their key is there: log, second copy and pictures, made one. */
import type { Catalogue } from '../record-catalogue/catalogue';
import type { CopyShelf } from './copy-shelf';
import { cipherFor } from './data-key';
import type { Database } from './database';
import type { OperationStore } from './operation-store';
import type { PictureFiles } from './picture-files';
import { ProtectedCopy } from './protected-copy';
import { protectPictures, replacePlainPictures } from './protected-pictures';
import { type FilePool, recordsFilesOf } from './records-pool';
import { SecondCopyKeeper } from './second-copy-keeper';
import { openStore } from './store-opening';

/** Where records of one key lie, and what opening them is given from outside. */
export interface RecordsPlace {
  pool: FilePool;
  /** See `RECORDS` and `emergencyStem`. */
  stem: string;
  dataKey: Uint8Array;
  copyShelf: CopyShelf;
  /** Null where no pictures belong to these records. */
  pictureFiles: PictureFiles | null;
  catalogue: Catalogue;
  random(bytes: number): Uint8Array;
  nowMs(): number;
  newEpoch(): string;
}

export interface OpenedRecords {
  database: Database;
  store: OperationStore;
  keeper: SecondCopyKeeper;
  pictureFiles: PictureFiles | null;
  /** They lie without encryption, since the disk had no room to replace them at this start. */
  isStillPlain: boolean;
}

/**
 * Open the records under their key.
 *
 * @throws StoreRefusedError with one sentence; nothing was changed
 */
export async function openRecords(place: RecordsPlace): Promise<OpenedRecords> {
  const { pool, stem, dataKey, random } = place;
  const copy = new ProtectedCopy(place.copyShelf, await cipherFor(dataKey, 'copy', random));
  const files = recordsFilesOf(pool, stem, dataKey);
  const { database, store } = await openStore(files, place.catalogue, copy);
  const keeper = new SecondCopyKeeper(database, store, copy, place);
  const { isStillPlain } = files;
  return { database, store, keeper, pictureFiles: await openPictures(place), isStillPlain };
}

async function openPictures(place: RecordsPlace): Promise<PictureFiles | null> {
  if (place.pictureFiles === null) return null;
  const cipher = await cipherFor(place.dataKey, 'pictures', place.random);
  const pictures = protectPictures(place.pictureFiles, cipher);
  // A disk that refuses now has them at the next start; they are read as they lie till then.
  void replacePlainPictures(place.pictureFiles, pictures).catch(() => {});
  return pictures;
}
