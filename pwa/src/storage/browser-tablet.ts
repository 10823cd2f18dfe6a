/** The parts of a tablet in this browser: its files, its keys, its copies. */
import { randomBytes, randomText } from '../device/chance';
import type { UnitRequests } from '../network/unit-requests';
import { packagedCatalogue } from '../record-catalogue/packaged-catalogue';
import { whyOf } from '../told';
import { emergencyCopy, recordsCopy } from './indexed-second-copy';
import { KeyRing } from './key-ring';
import { type Argon, calibrateCost } from './key-ring-cost';
import { KeyRingService, type RedeemCode } from './key-ring-service';
import { browserShelves } from './key-ring-shelves';
import { openFilePool } from './opfs-database';
import { emergencyPictures, opfsPictureFiles } from './picture-files';
import { readMark } from './recovery-share';
import { opfsShare } from './share-shelf';
import type { TabletParts } from './tablet-records';

/** Argon2id is read when the first PIN is asked for, not at every start. */
const ARGON: Argon = {
  hash: async (...given) => (await import('../device/argon')).hashArgon(...given),
  calibrate: async () => {
    const { hashArgon } = await import('../device/argon');
    return calibrateCost(hashArgon, () => performance.now());
  },
};

/** Take hold of everything; the caller holds the lock of the one writer. */
export async function holdTablet(
  requests: UnitRequests,
  token: () => string | null,
): Promise<TabletParts> {
  const pool = await openFilePool();
  const nowMs = () => Date.now();
  const ring = await KeyRing.open(browserShelves, {
    nowMs,
    monotonicMs: () => performance.now(),
    markOfShare: () => readMark(opfsShare),
    random: randomBytes,
    argon: ARGON,
  });
  return {
    pool,
    ring,
    keys: new KeyRingService(ring, redeemAt(requests, token)),
    recordsCopy,
    emergencyCopy,
    emergencyPictures,
    pictureFiles: opfsPictureFiles,
    share: opfsShare,
    catalogue: packagedCatalogue(),
    random: randomBytes,
    nowMs,
    newEpoch: () => randomText(8),
  };
}

interface Redeemed {
  staff: string;
  name: string;
  role: string;
}

function redeemAt(requests: UnitRequests, token: () => string | null): RedeemCode {
  return async (code) => {
    try {
      const path = '/api/staff-codes/redeem';
      const { staff, name, role } = await requests.post<Redeemed>(path, token(), { code });
      return { kind: 'person', staff, name, role };
    } catch (error) {
      return { kind: 'refused', sentence: whyOf(error) };
    }
  };
}
