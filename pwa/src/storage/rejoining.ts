/** Joining the unit again to have the data key back, while the records with its log are closed. */
import { digitsOf } from '../network/joining';
import type { Signer } from '../network/push-signing';
import type { UnitRequests } from '../network/unit-requests';
import type { OwnDevice } from './operation-store';

interface JoinAnswer {
  token: string;
  unit_name: string;
  streams: string[];
  server_key?: string;
  name?: string;
  is_waiting?: boolean;
}

/**
 * Join by a fresh invitation and return who the device is from now on. It waits then until its
 * digits were compared, whatever it signs with: a stolen tablet has its key, too (SE4).
 *
 * @param own - the device as it was joined before; its token shows that it is no other
 * @param epoch - where its log goes on: the key that signed before may be lost with the keys
 * @throws RefusedError or NoAnswerError; nothing has changed then
 */
export async function rejoin(
  requests: UnitRequests,
  signer: Signer | null,
  own: OwnDevice,
  { code, epoch }: { code: string; epoch: string },
): Promise<OwnDevice> {
  const { waiting: _, ...before } = own;
  const answer = await requests.post<JoinAnswer>(
    '/api/devices',
    own.token,
    {
      code,
      device: own.device,
      name: own.device,
      for_recovery: true,
      ...(signer && { key: signer.publicKey, epoch }),
    },
    signer && { device: own.device, signer },
  );
  return {
    ...before,
    token: answer.token,
    unitName: answer.unit_name,
    streams: answer.streams,
    ...(answer.name && { name: answer.name }),
    ...(signer && { key: signer.publicKey }),
    ...(answer.server_key && { serverKey: answer.server_key }),
    ...(answer.is_waiting && signer && { waiting: digitsOf(signer) }),
  };
}
