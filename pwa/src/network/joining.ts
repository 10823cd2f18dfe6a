/** Joining a unit by an invitation: the device keeps its id, its log and everything saved before. */
import { sha256 } from '@noble/hashes/sha2.js';
import { bytesToHex } from '@noble/hashes/utils.js';
import type { DeviceStanding } from '../ports';
import type { OperationStore, OwnDevice } from '../storage/operation-store';
import { writeFingerprint } from '../sync/request-signing';
import { tell } from '../told';
import type { Signer } from './push-signing';
import { NoAnswerError, RefusedError, type UnitRequests } from './unit-requests';

/**
 * Return the six digits of this device's own key (RQ6).
 *
 * Worked out here and never taken from an answer: they are to show whose key the unit has.
 */
export function digitsOf(signer: Signer): string {
  const key = Uint8Array.from(atob(signer.publicKey), (letter) => letter.charCodeAt(0));
  return writeFingerprint(bytesToHex(sha256(key)));
}

export type Joining = { kind: 'joined'; own: OwnDevice } | { kind: 'refused'; sentence: string };

interface JoinAnswer {
  device: string;
  token: string;
  role: DeviceStanding['role'];
  unit_name: string;
  streams: string[];
  /** Left out by a unit of an older release, as is the next one. */
  server_key?: string;
  /** By which people at the unit know this device. */
  name?: string;
  /** Nobody at the unit has compared the digits of this device's key yet (RQ7). */
  is_waiting?: boolean;
}

/**
 * Ask the unit to let this device in, and become the device that it names.
 *
 * @param around - draws ids and epochs, and signs where the browser gives a key (SG4)
 * @returns `refused` with one sentence; nothing has changed then
 */
export async function joinUnit(
  store: OperationStore,
  requests: UnitRequests,
  around: { newDeviceId(): string; newEpoch(): string; signer?: Signer | null },
  { code, name }: { code: string; name: string },
): Promise<Joining> {
  const before = store.ownDevice();
  const device = before?.device ?? around.newDeviceId();
  const signer = around.signer ?? null;
  const firstEpoch = around.newEpoch();
  const signs = signer && {
    key: signer.publicKey,
    epoch: before === null ? firstEpoch : store.tip().epoch,
  };
  try {
    // Signed by the very key it brings (RQ5).
    const answer = await requests.post<JoinAnswer>(
      '/api/devices',
      before?.token ?? null,
      { code, device, name, ...signs },
      signer && { device, signer },
    );
    const own: OwnDevice = {
      device: answer.device,
      role: answer.role,
      token: answer.token,
      unitName: answer.unit_name,
      streams: answer.streams,
      ...(answer.name && { name: answer.name }),
      ...(signer && { key: signer.publicKey }),
      ...(answer.server_key && { serverKey: answer.server_key }),
      ...(answer.is_waiting && signer && { waiting: digitsOf(signer) }),
    };
    store.becomeDevice(own, firstEpoch);
    return { kind: 'joined', own };
  } catch (error) {
    if (error instanceof RefusedError) return { kind: 'refused', sentence: error.message };
    if (!(error instanceof NoAnswerError)) throw error;
    return { kind: 'refused', sentence: tell('joinUnanswered') };
  }
}
