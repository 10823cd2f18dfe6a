/**
 * The records of this tablet behind their key: open, locked, or an emergency case alone.
 *
 * Everything of the browser comes in as an argument, so that the tests run it as it is.
 */

import { readTold, tell, whyOf } from '../told';
import { watchCopy } from './copy-in-use';
import type { CopyShelf } from './copy-shelf';
import {
  type EmergencyPlace,
  openEmergency,
  putIntoLog,
  removeEmergency,
  takeInPictures,
  wipeEmergency,
} from './emergency-records';
import type { KeyRing } from './key-ring';
import { SHARE_NOTE } from './key-ring-people';
import type { KeyRingService } from './key-ring-service';
import { type OpenedRecords, openRecords } from './opened-records';
import type { OwnDevice } from './operation-store';
import type { PictureFiles } from './picture-files';
import { holdsEncrypted, RECORDS } from './records-pool';
import { keepShare, readShare } from './recovery-share';
import { countUnsent } from './sealed-outbox';
import type { ShareShelf } from './share-shelf';

export interface TabletParts extends EmergencyPlace {
  ring: KeyRing;
  keys: KeyRingService;
  recordsCopy: CopyShelf;
  pictureFiles: PictureFiles | null;
  share: ShareShelf;
}

export type Opening =
  | { kind: 'open'; records: OpenedRecords; isEmergency: boolean }
  /**
   * `areKeysLost`: records lie here, and no key that could open them. `trouble`: told, where the
   * emergency case that was open can be opened no more.
   */
  | { kind: 'locked'; areKeysLost: boolean; trouble?: string };

/** Name of the ring's note of who this device is: an emergency case is written by the same one. */
const OWN = 'own-device';
/** Notices of one start, which the next one takes back where it went well. */
const OF_A_START: ReadonlySet<string> = new Set(['emergencyKept', 'stillPlain']);

export class TabletRecords {
  readonly #parts: TabletParts;
  #noted = '';
  #emergency: { number: number; records: OpenedRecords } | null = null;

  constructor(parts: TabletParts) {
    this.#parts = parts;
  }

  /**
   * Open what can be opened now.
   *
   * @throws StoreRefusedError with one sentence; nothing was changed
   */
  async open(): Promise<Opening> {
    const { keys, ring } = this.#parts;
    const isNew = !(await this.#holdsAnything());
    const dataKey = keys.dataKey ?? (await keys.openWithoutPin(isNew));
    if (dataKey !== null) {
      return { kind: 'open', records: await this.#openAll(dataKey), isEmergency: false };
    }
    let trouble = '';
    if (ring.standing().hasEmergency) {
      try {
        return await this.startEmergency();
      } catch (error) {
        // It stays, sealed for the records; the next case begins in a file of its own.
        await ring.closeEmergency();
        trouble = tell('emergencyShut', { why: whyOf(error) });
      }
    }
    const areKeysLost = ring.standing().people.length === 0;
    return { kind: 'locked', areKeysLost, ...(trouble && { trouble }) };
  }

  /** Who this device is, as far as it is known without the records; null before it has joined. */
  async ownDevice(): Promise<OwnDevice | null> {
    const { ring, recordsCopy, share } = this.#parts;
    const shared = await readShare(share);
    if (shared?.rejoined !== undefined) return shared.own;
    const noted = ring.note(OWN);
    if (noted !== null) return JSON.parse(noted) as OwnDevice;
    const copied = await recordsCopy.read().catch(() => null);
    return copied?.head?.own ?? shared?.own ?? null;
  }

  /** Open a store of its own, for a case that begins before anybody has unlocked the tablet. */
  async startEmergency(): Promise<Opening> {
    const key = await this.#parts.ring.emergencyKey();
    const records = await openEmergency(this.#parts, key, await this.ownDevice());
    this.#emergency = { number: key.number, records };
    return { kind: 'open', records, isEmergency: true };
  }

  /** Keep what a start without these records needs: who this device is, and the share of its key. */
  async noteDevice({ store }: OpenedRecords): Promise<void> {
    const { ring, keys, share } = this.#parts;
    const own = store.ownDevice();
    const text = JSON.stringify(own);
    if (own === null || keys.dataKey === null || text === this.#noted) return;
    await ring.keepNote(OWN, text);
    const mark = await keepShare(share, own, keys.dataKey, ring.note(SHARE_NOTE));
    await ring.keepNote(SHARE_NOTE, mark);
    this.#noted = text;
  }

  /** Become who the device is since it joined again, where it did so without these records. */
  async takeRejoined({ store }: OpenedRecords): Promise<void> {
    const found = await readShare(this.#parts.share);
    if (found?.rejoined === undefined) return;
    store.becomeDevice(found.own, found.rejoined);
    // The key that signed before may be gone: its log goes on in an epoch of the new one (SG6).
    if (store.tip().epoch !== found.rejoined) store.beginEpoch(found.rejoined);
  }

  /** The copies from which a locked tablet sends. */
  async copies(): Promise<CopyShelf[]> {
    const { ring, recordsCopy, emergencyCopy } = this.#parts;
    const emergencies = ring.emergencyNumbers().map((number) => {
      const copy = emergencyCopy(number);
      return number === this.#emergency?.number ? watchCopy(copy) : copy;
    });
    return [recordsCopy, ...emergencies];
  }

  /** Remove everything that this tablet holds: records, copies, pictures, keys. */
  async wipe(): Promise<void> {
    const { ring, pool, recordsCopy, pictureFiles, share } = this.#parts;
    const emergencies = ring.emergencyNumbers();
    // The keys first: without them the rest is noise, should the power go now.
    await ring.wipe();
    await share.remove();
    for (const name of pool.names()) pool.unlink(name);
    await recordsCopy.wipe();
    for (const number of emergencies) await wipeEmergency(this.#parts, number);
    for (const name of (await pictureFiles?.names()) ?? []) await pictureFiles?.remove(name);
  }

  async #openAll(dataKey: Uint8Array): Promise<OpenedRecords> {
    const { ring, pool, recordsCopy } = this.#parts;
    const records = await openRecords({
      ...this.#parts,
      pool,
      stem: RECORDS,
      dataKey,
      copyShelf: recordsCopy,
    });
    await records.keeper.settle();
    let notice = records.isStillPlain ? tell('stillPlain') : '';
    for (const { number, key } of await ring.emergencyKeys(dataKey)) {
      try {
        await this.#takeIn(records, number, key);
      } catch (error) {
        // Its file, its copy and its sealed key stay; the other records open all the same.
        await ring.closeEmergency().catch(() => {});
        notice = tell('emergencyKept', { why: whyOf(error) });
      }
    }
    const before = readTold(records.store.notice())?.code ?? '';
    if (notice !== '' || OF_A_START.has(before)) records.store.giveNotice(notice);
    return records;
  }

  async #takeIn(records: OpenedRecords, number: number, key: Uint8Array): Promise<void> {
    const { ring } = this.#parts;
    const running = this.#emergency?.number === number ? this.#emergency.records : null;
    const emergency = running ?? (await openEmergency(this.#parts, { number, key }, null));
    try {
      const own = emergency.store.ownDevice();
      if (own !== null && records.store.ownDevice() === null) {
        records.store.becomeDevice(own, this.#parts.newEpoch());
      }
      putIntoLog(records, emergency, this.#parts.nowMs());
      // What was begun in it is the case that is live here, once it is no emergency any more.
      const live = emergency.store.recall('live-case');
      if (typeof live === 'string') records.store.remember('live-case', live);
      await records.keeper.keep();
      // Last: a disk without room for them keeps no entry out, and the next start tries again.
      await takeInPictures(records, emergency);
    } finally {
      if (running === null) emergency.database.close();
    }
    // The file of a running one is in use in this worker; the next opening removes it.
    if (running !== null) await ring.closeEmergency();
    else await removeEmergency(this.#parts, number, () => ring.dropEmergency(number));
  }

  /** Say whether anything lies here that a key was made for, and that is nowhere else. */
  async #holdsAnything(): Promise<boolean> {
    const { pool, recordsCopy } = this.#parts;
    if (holdsEncrypted(pool, RECORDS)) return true;
    try {
      return countUnsent(await recordsCopy.read(), 'closed').count > 0;
    } catch {
      return false;
    }
  }
}
