/**
 * What a device signs of a request, as text (RFC 9421). Keys are elsewhere. Twin of
 * `request_signing.py`.
 *
 * One shape alone is written: method, path, query and the digest of the body (RFC 9530), with a
 * nonce of the unit's, so that a request is good once, there, and as it was meant.
 */
import { MalformedOperationError } from './errors';

export const LABEL = 'crura';
const COMPONENTS = ['@method', '@path', '@query', 'content-digest'] as const;
const LIST = `(${COMPONENTS.map((name) => `"${name}"`).join(' ')})`;
const ALGORITHM = 'ecdsa-p256-sha256';
const DEVICE = /^[a-z0-9-]{1,32}$/;
const NONCE = /^[A-Za-z0-9_-]{1,128}$/;
const VISIBLE = /^[\x20-\x7e]*$/;
const KEY_ID = /^[0-9a-f]{64}$/;
const LARGEST_MS = 2 ** 53 - 1;

/** Who says to have signed a request, and under which nonce. */
export interface RequestProof {
  device: string;
  nonce: string;
}

/** One request as it travels: `query` without its question mark. */
export interface SignedRequest {
  method: string;
  path: string;
  query: string;
  /** The `Content-Digest` header over the body as it travels. */
  content_digest: string;
}

/**
 * Return the text that is signed (RFC 9421, section 2.5).
 *
 * @param parameters - the signature parameters as they stand in `Signature-Input`, without label
 * @throws MalformedOperationError when a content holds a line end or another letter than visible
 *   ASCII: two different requests never have the same text
 */
export function writeSignatureBase(
  components: readonly (readonly [string, string])[],
  parameters: string,
): string {
  const contents = [...components.map(([, content]) => content), parameters];
  if (!contents.every((content) => VISIBLE.test(content))) {
    throw new MalformedOperationError(
      'The request holds letters that cannot be signed. Write its address in plain letters.',
    );
  }
  const lines = components.map(([name, content]) => `"${name}": ${content}`);
  return [...lines, `"@signature-params": ${parameters}`].join('\n');
}

/**
 * Return the signature parameters of a request (RQ1).
 *
 * @throws MalformedOperationError when the device or the nonce is none
 */
export function writeParameters({ device, nonce }: RequestProof): string {
  if (!DEVICE.test(device) || !NONCE.test(nonce)) {
    throw new MalformedOperationError(
      `'${device.slice(0, 40)}' cannot sign a request under this nonce. Ask for another nonce.`,
    );
  }
  return `${LIST};keyid="${device}";nonce="${nonce}";alg="${ALGORITHM}"`;
}

/**
 * Return the text that a device signs for one request (RQ1).
 *
 * @throws MalformedOperationError when a part cannot be signed
 */
export function writeRequestBase(proof: RequestProof, request: SignedRequest): string {
  const { method, path, query, content_digest: digest } = request;
  const contents = [method, path, `?${query}`, digest];
  return writeSignatureBase(
    COMPONENTS.map((name, place) => [name, contents[place] ?? '']),
    writeParameters(proof),
  );
}

/**
 * Return six digits by which two people tell that they speak of the same key (RQ6).
 *
 * @param keyId - SHA-256 of the public key, 64 hexadecimal digits (SG2)
 * @throws MalformedOperationError when it is no id of a key
 */
export function writeFingerprint(keyId: string): string {
  if (!KEY_ID.test(keyId)) {
    throw new MalformedOperationError(
      `${keyId.slice(0, 16)} is no id of a key. Take SHA-256 of the public key.`,
    );
  }
  // 48 bits are a safe integer.
  return String(Number.parseInt(keyId.slice(0, 12), 16) % 1_000_000).padStart(6, '0');
}

/**
 * Return the text that a unit signs when it tells a device that it was revoked (RQ8).
 *
 * @param revokedMs - wall milliseconds of the unit's server
 * @param isLost - the device is to clear itself once it has handed over what it holds
 * @throws MalformedOperationError when a part is none of a revocation
 */
export function writeRevocationText(device: string, revokedMs: number, isLost: boolean): string {
  const isMoment = Number.isInteger(revokedMs) && revokedMs >= 0 && revokedMs <= LARGEST_MS;
  if (!DEVICE.test(device) || !isMoment) {
    throw new MalformedOperationError(
      `'${device.slice(0, 40)}' at ${revokedMs} is no revocation. Ask the unit again.`,
    );
  }
  return `crura-revocation\n${device}\n${revokedMs}\n${isLost ? 'wipe' : 'keep'}`;
}
