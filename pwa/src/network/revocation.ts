/** What the unit tells a device that was revoked; it clears itself by a signed word alone (RQ8). */
import { MalformedOperationError } from '../sync/errors';
import { writeRevocationText } from '../sync/request-signing';
import { isSigned } from './server-signature';

/** Type of the problem that says so. */
export const REVOKED_PROBLEM = '/problems/device-revoked';

/**
 * Return what a problem says of a revocation of this very device.
 *
 * @param problem - as the unit answered; of `GET /api/devices/own` its part `revocation`
 * @param serverKey - the unit's public key as it was told at joining, in base64
 * @returns null when it is no revocation of this device by this unit: nothing is to be done then
 */
export async function readRevocation(
  problem: Readonly<Record<string, unknown>>,
  serverKey: string,
  device: string,
): Promise<{ wipe: boolean } | null> {
  const { device: named, revoked_ms: revokedMs, wipe, signature } = problem;
  if (named !== device || typeof revokedMs !== 'number' || typeof wipe !== 'boolean') return null;
  if (typeof signature !== 'string') return null;
  try {
    const text = writeRevocationText(device, revokedMs, wipe);
    return (await isSigned(serverKey, text, signature)) ? { wipe } : null;
  } catch (error) {
    if (error instanceof MalformedOperationError) return null;
    throw error;
  }
}
