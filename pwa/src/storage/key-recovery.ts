/** The way back to records whose every key here is lost: join anew, be let in, fetch the key. */
import type { Signer } from '../network/push-signing';
import { NoAnswerError, RefusedError, type UnitRequests } from '../network/unit-requests';
import type { RecoveryAnswer } from '../ports';
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

const REFUSED = 403;
const TOO_OFTEN = 429;
const FAILED = 500;

/**
 * Ask the unit for the data key, after joining anew by a fresh invitation: being joined is not
 * enough, since whoever has used up every PIN holds a tablet that is joined (SE4).
 *
 * @param code - the invitation; "" or a used one goes on with a joining that still gives the key
 * @throws RefusedError, NoAnswerError, or an error with one sentence; the records stay as they are
 */
export async function recoverKeys(around: Around, code: string): Promise<RecoveryAnswer> {
  const { share, requests, signer } = around;
  const found = await readShare(share);
  if (found === null) return { kind: 'refused', sentence: tell('noShare') };
  if (found.rejoined !== undefined) {
    try {
      const answer = await fetchKey(around, found, found.rejoined);
      if (code === '' || answer.kind !== 'refused') return answer;
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

/** Say whether an error decides nothing: the same may be asked again, as it is. */
export function isUndecided(error: unknown): boolean {
  if (error instanceof NoAnswerError) return true;
  return error instanceof RefusedError && (error.status === TOO_OFTEN || error.status >= FAILED);
}

/** Fetch the data key for a device that has joined anew, once its digits were compared. */
async function fetchKey(
  around: Around,
  found: RecoveryShare,
  epoch: string,
): Promise<RecoveryAnswer> {
  const { share, ring, requests, signer } = around;
  if (found.own.waiting) {
    const unit = await readStanding(around, found);
    if (unit.is_key_refused) return { kind: 'refused', sentence: tell('keyRefused') };
    if (unit.is_waiting) return { kind: 'waits', digits: found.own.waiting };
  }
  const { waiting: _, ...own } = found.own;
  await ring.firstKey(await recoverKey(requests, signer, { ...found, own }));
  await noteRejoined(share, found, own, epoch);
  return { kind: 'recovered' };
}

interface UnitStanding {
  is_waiting: boolean;
  /** A person at the unit has refused the key; left out by a unit of an older release. */
  is_key_refused?: boolean;
}

/** Ask whether the unit still waits for somebody to compare the digits (RQ7), or has refused. */
async function readStanding(
  { requests, signer }: Around,
  { own }: RecoveryShare,
): Promise<UnitStanding> {
  requests.identify(() => signer && { device: own.device, signer });
  const path = '/api/devices/own';
  return requests.get<UnitStanding>(path, own.token ?? '');
}
