/** The way back to records whose every key here is lost: join anew, be let in, fetch the key. */
import type { Signer } from '../network/push-signing';
import { RefusedError, type UnitRequests } from '../network/unit-requests';
import type { KeyRefusal } from '../ports';
import { tell } from '../told';
import type { KeyRing } from './key-ring';
import { noteRejoined, type RecoveryShare, readShare, recoverKey } from './recovery-share';
import { rejoin } from './rejoining';
import type { ShareShelf } from './share-shelf';

interface Around {
  share: ShareShelf;
  ring: Pick<KeyRing, 'firstKey'>;
  newEpoch(): string;
  requests: UnitRequests;
  signer: Signer | null;
}

type Recovery = { kind: 'recovered' } | KeyRefusal;
const REFUSED = 403;

/**
 * Ask the unit for the data key, after joining anew by a fresh invitation: being joined is not
 * enough, since whoever has used up every PIN holds a tablet that is joined (SE4).
 *
 * @param code - the invitation; "" or a used one goes on with a joining that still gives the key
 * @throws RefusedError, NoAnswerError, or an error with one sentence; the records stay as they are
 */
export async function recoverKeys(around: Around, code: string): Promise<Recovery> {
  const { share, requests, signer } = around;
  const found = await readShare(share);
  if (found === null) return { kind: 'refused', sentence: tell('noShare') };
  if (found.rejoined !== undefined) {
    try {
      return await fetchKey(around, found, found.rejoined);
    } catch (error) {
      if (code === '' || !(error instanceof RefusedError) || error.status !== REFUSED) throw error;
      // That joining gives nothing more; this code may be that of another.
    }
  }
  if (code === '') return { kind: 'refused', sentence: tell('freshCodeNeeded') };
  const epoch = around.newEpoch();
  const own = await rejoin(requests, signer, found.own, { code, epoch });
  return fetchKey(around, await noteRejoined(share, found, own, epoch), epoch);
}

/** Fetch the data key for a device that has joined anew, once its digits were compared. */
async function fetchKey(around: Around, found: RecoveryShare, epoch: string): Promise<Recovery> {
  const { share, ring, requests, signer } = around;
  if (found.own.waiting && (await isWaiting(around, found))) {
    return { kind: 'refused', sentence: tell('waitsForDigits', { digits: found.own.waiting }) };
  }
  const { waiting: _, ...own } = found.own;
  await ring.firstKey(await recoverKey(requests, signer, { ...found, own }));
  await noteRejoined(share, found, own, epoch);
  return { kind: 'recovered' };
}

/** Ask whether the unit still waits for somebody to compare the digits (RQ7). */
async function isWaiting({ requests, signer }: Around, { own }: RecoveryShare): Promise<boolean> {
  requests.identify(() => signer && { device: own.device, signer });
  const path = '/api/devices/own';
  const answer = await requests.get<{ is_waiting: boolean }>(path, own.token ?? '');
  return answer.is_waiting;
}
