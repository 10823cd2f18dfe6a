/** Says whether the unit server signed a text: ECDSA on P-256 with SHA-256 (SG2). */
import { textBytes } from '../sync/canonical-text';

const ALGORITHM = { name: 'ECDSA', namedCurve: 'P-256' };
const SIGNING = { name: 'ECDSA', hash: 'SHA-256' };

/**
 * Say whether a signature over a text was made by a key.
 *
 * @param publicKey - SubjectPublicKeyInfo in base64
 * @param signature - r, then s, in base64
 * @returns false also for what is no key or no signature, and where this browser cannot tell
 */
export async function isSigned(
  publicKey: string,
  text: string,
  signature: string,
): Promise<boolean> {
  try {
    const key = await crypto.subtle.importKey('spki', bytesOf(publicKey), ALGORITHM, false, [
      'verify',
    ]);
    return await crypto.subtle.verify(
      SIGNING,
      key,
      bytesOf(signature),
      new Uint8Array(textBytes(text)),
    );
  } catch {
    return false;
  }
}

function bytesOf(text: string): Uint8Array<ArrayBuffer> {
  return Uint8Array.from(atob(text), (letter) => letter.charCodeAt(0));
}
