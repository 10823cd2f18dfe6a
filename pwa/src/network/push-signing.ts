/** What a device signs of a push, and what it does once its key is lost (SG3-SG6). */
import type { OperationStore, OwnDevice } from '../storage/operation-store';
import { BrokenChainError } from '../sync/errors';
import { findHead, type Link, writeHeadText } from '../sync/signing';
import { tell } from '../told';
import type { Identity } from './request-proof';

/** Signs as this device; see `device/device-key.ts`. */
export interface Signer {
  readonly publicKey: string;
  sign(text: string): Promise<string>;
}

/** Say whether the unit expects signatures that this device cannot give now. */
export function isKeyLost(own: OwnDevice, signer: Signer | null): boolean {
  return own.key !== undefined && own.key !== signer?.publicKey;
}

/** Return who signs requests as this device; null where the unit knows no key that is here (RQ1). */
export function identityOf(own: OwnDevice | null, signer: Signer | null): Identity | null {
  if (own === null || signer === null || own.key !== signer.publicKey) return null;
  return { device: own.device, signer };
}

/**
 * Begin a new epoch once another key has come in the place of the enrolled one (SG6).
 *
 * Without any key nothing is begun: the browser may have it again at the next start.
 */
export function settleLostKey(
  store: OperationStore,
  signer: Signer | null,
  newEpoch: () => string,
): void {
  const own = store.ownDevice();
  if (own === null || signer === null || !isKeyLost(own, signer)) return;
  if (own.newKey === signer.publicKey) return;
  const epoch = newEpoch();
  store.becomeDevice({ ...own, newKey: signer.publicKey }, epoch);
  store.beginEpoch(epoch);
}

/**
 * Return the signature over the head of a batch.
 *
 * @throws BrokenChainError when the batch is not one chain: a device signs nothing else
 */
export async function signBatch(
  signer: Signer,
  device: string,
  operations: readonly Link[],
): Promise<string> {
  const head = findHead(operations);
  if (head === null) {
    throw new BrokenChainError(tell('brokenChain'));
  }
  return signer.sign(writeHeadText(device, head));
}
