/**
 * What was recorded from the locked screen: a file and a copy of its own, under a key of its own.
 *
 * Its pictures lie under that key as well, in files of their own.
 *
 * It is written in an epoch of its own, so that it goes into the log of the same device as it is
 * once somebody unlocks the tablet; until then it opens nothing of the records before it.
 */
import type { CopyShelf } from './copy-shelf';
import { type OpenedRecords, openRecords, type RecordsPlace } from './opened-records';
import type { OwnDevice } from './operation-store';
import {
  keepLaterStamp,
  putBackEntries,
  readLastStamp,
  readOwnEntries,
  readOwnLogs,
} from './own-log-rows';
import type { PictureFiles } from './picture-files';
import { PictureShelf } from './picture-shelf';
import { emergencyStem, removeRecords } from './records-pool';

/** As a limit of SQLite: none. */
const ALL = -1;

export interface EmergencyKey {
  number: number;
  key: Uint8Array;
}

/** Where emergency records lie; the rest is that of the records. */
export type EmergencyPlace = Omit<
  RecordsPlace,
  'stem' | 'dataKey' | 'copyShelf' | 'pictureFiles'
> & {
  emergencyCopy(number: number): CopyShelf;
  emergencyPictures(number: number): PictureFiles;
};

/**
 * Open emergency records, beginning them where there are none.
 *
 * @param own - the device they are written by; it works alone until they are in its log
 */
export async function openEmergency(
  place: EmergencyPlace,
  { number, key }: EmergencyKey,
  own: OwnDevice | null,
): Promise<OpenedRecords> {
  const opened = await openRecords({
    ...place,
    stem: emergencyStem(number),
    dataKey: key,
    copyShelf: place.emergencyCopy(number),
    pictureFiles: place.emergencyPictures(number),
  });
  await opened.keeper.settle();
  if (own !== null && opened.store.ownDevice() === null) {
    opened.store.becomeDevice({ ...own, token: null }, place.newEpoch());
  }
  return opened;
}

/**
 * Put what emergency records hold into the log of the tablet. Again, it changes nothing.
 *
 * @returns how many entries the log lacked
 */
export function putIntoLog(
  records: OpenedRecords,
  emergency: OpenedRecords,
  nowMs: number,
): number {
  const own = emergency.store.ownDevice();
  if (own === null) return 0;
  const { database, store } = records;
  const logs = readOwnLogs(emergency.database);
  const entries = logs.flatMap(({ epoch }) =>
    readOwnEntries(emergency.database, own.device, epoch, 1, ALL),
  );
  const { restored, refused } = putBackEntries(
    database,
    store.catalogue,
    own.device,
    entries,
    logs.filter(({ counter }) => counter > 0),
  );
  for (const { entry, opId, sentence } of refused) {
    store.setAside('tablet', opId, entry.envelope, entry.body, sentence, nowMs);
  }
  keepLaterStamp(database, readLastStamp(emergency.database));
  return restored;
}

/**
 * Put the pictures of emergency records beside those of the tablet, under its key, and have them
 * sent from there: an emergency case knows no token. Again, it changes nothing.
 *
 * @throws an error where the disk takes one of them no more: all of them stay where they were
 */
export async function takeInPictures(
  records: OpenedRecords,
  emergency: OpenedRecords,
): Promise<void> {
  if (records.pictureFiles === null || emergency.pictureFiles === null) return;
  const shelf = new PictureShelf(records.store, records.pictureFiles);
  const begun = new PictureShelf(emergency.store, emergency.pictureFiles);
  for (const hash of await emergency.pictureFiles.names()) {
    const { bytes } = await begun.read(hash);
    if (bytes !== null) await shelf.put(hash, bytes);
  }
  for (const [hash, record] of Object.entries(begun.unsent())) shelf.noteUnsent(hash, record);
}

/**
 * Remove emergency records whose entries are in the log, on the disk, by now.
 *
 * @param forgetKey - called once the file is gone; copy and pictures are noise from then on, and
 *   what cannot be removed now is no reason to keep anybody from the records
 */
export async function removeEmergency(
  place: EmergencyPlace,
  number: number,
  forgetKey: () => Promise<void>,
): Promise<void> {
  removeRecords(place.pool, emergencyStem(number));
  await forgetKey();
  await wipeEmergency(place, number).catch(() => {});
}

/** Remove copy and pictures of emergency records; one that cannot be removed spares no other. */
export async function wipeEmergency(place: EmergencyPlace, number: number): Promise<void> {
  const pictures = place.emergencyPictures(number);
  const removePictures = async () => {
    for (const name of await pictures.names()) await pictures.remove(name);
  };
  await Promise.all([place.emergencyCopy(number).wipe(), removePictures()]);
}
