/**
 * The data key of a tablet, sealed for its unit: how records are opened again when every key here
 * is lost.
 *
 * The tablet holds the sealed key and cannot open it; the unit could open it and does not hold it.
 * It is given back to the device it was sealed by, and that is noted [SEC-12].
 */

import type { Signer } from '../network/push-signing';
import {
  aboutReturn,
  aboutShare,
  base64Of,
  bytesOf,
  makeReturnPair,
  openSealed,
  seal,
} from '../network/sealing';
import type { UnitRequests } from '../network/unit-requests';
import { hashText } from '../sync/operation';
import { tell } from '../told';
import type { OwnDevice } from './operation-store';
import type { ShareShelf } from './share-shelf';

/** What the file says: whose key it is, and the key as only that unit's server opens it. */
export interface RecoveryShare {
  own: OwnDevice;
  /** The unit's key that it is sealed for. */
  serverKey: string;
  share: string;
  /** The epoch in which the log goes on, once the device has joined again without its records. */
  rejoined?: string;
}

/** Return what lies there, null for nothing or for a file that was cut off. */
export async function readShare(shelf: ShareShelf): Promise<RecoveryShare | null> {
  const text = await shelf.read();
  if (text === null) return null;
  try {
    return JSON.parse(text) as RecoveryShare;
  } catch {
    return null;
  }
}

/** Return the mark by which a key ring knows the share that it sealed. */
export function markOf({ share }: RecoveryShare): string {
  return hashText(share);
}

/**
 * Return the mark of what lies there, null where the unit would not give its key back: nothing lies
 * there, or nobody has let this device in yet.
 */
export async function readMark(shelf: ShareShelf): Promise<string | null> {
  const found = await readShare(shelf);
  return found === null || !found.own.token || found.own.waiting ? null : markOf(found);
}

/**
 * Keep the share of this data key for the unit that the device has joined by now.
 *
 * @param mark - of the share that this key is known to be in; another one is sealed anew
 * @returns the mark of what is kept now, null where there is no unit to keep it for
 */
export async function keepShare(
  shelf: ShareShelf,
  own: OwnDevice | null,
  dataKey: Uint8Array,
  mark: string | null,
): Promise<string | null> {
  if (!own?.token || own.serverKey === undefined) return null;
  const before = await readShare(shelf);
  const isKept = before !== null && JSON.stringify(before.own) === JSON.stringify(own);
  if (isKept && before.rejoined === undefined && markOf(before) === mark) return mark;
  const { serverKey } = own;
  const share = base64Of(await seal(serverKey, aboutShare(own.device), dataKey));
  const next: RecoveryShare = { own, serverKey, share };
  await shelf.write(JSON.stringify(next));
  return markOf(next);
}

/** Note that the device has joined again; what it sealed for its unit stays as it is. */
export async function noteRejoined(
  shelf: ShareShelf,
  found: RecoveryShare,
  own: OwnDevice,
  epoch: string,
): Promise<RecoveryShare> {
  const next = { ...found, own, rejoined: epoch };
  await shelf.write(JSON.stringify(next));
  return next;
}

/**
 * Ask the unit for the data key.
 *
 * @param signer - what the device signs with now
 * @throws RefusedError, NoAnswerError, or an error with one sentence where the answer does not open
 */
export async function recoverKey(
  requests: UnitRequests,
  signer: Signer | null,
  { own, share }: RecoveryShare,
): Promise<Uint8Array> {
  const { pair, publicKey } = await makeReturnPair();
  const answer = await requests.post<{ sealed: string }>(
    '/api/devices/recovery',
    own.token,
    { device: own.device, share, to: publicKey },
    signer && { device: own.device, signer },
  );
  const key = await openSealed(pair, aboutReturn(own.device), bytesOf(answer.sealed));
  if (key === null) throw new Error(tell('keyNotReturned'));
  return key;
}
